"""Graphics: the chip, its card and their heat."""
