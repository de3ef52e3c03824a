"""The run: an attempt on the medium, checks under guard, and what may come over them."""
