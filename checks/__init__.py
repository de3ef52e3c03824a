"""Parts, limits and judgement, and what they need of a computer (`checks.machine`).

Imports `reports`, never `agent`.
"""
