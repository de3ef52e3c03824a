"""Computers to be asked: live, rehearsal, recorded."""
