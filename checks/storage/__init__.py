"""Drives: there, healthy, readable, and holding what the order says."""
