"""Pure mathematics of the checks: arrays in, numbers with their uncertainty out; nothing is read."""
