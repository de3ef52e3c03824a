"""Radios: the adapter with its antennas, and the air as a known-good radio hears it."""
