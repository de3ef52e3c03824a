"""Documents: what is ordered, what was found, and what a signature on it is worth.

This package knows nothing of computers; it imports neither `checks` nor `agent`.
"""
