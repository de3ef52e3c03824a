"""Memory: the modules that are there, and every cell that can be tried."""
