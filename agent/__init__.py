"""The program at the bench: plan, run, the Linux machine, the console.

Imports `checks` and `reports`; nothing imports it.
"""
