"""The processor: which it is, what it computes, what holds it back."""
