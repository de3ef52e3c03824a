"""The main board: who the unit says it is, firmware, clock, start, and what came in at intake."""
