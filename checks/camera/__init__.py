"""Cameras: there, and what they show."""
