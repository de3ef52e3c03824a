"""The audit: what the filed reports say of the shop's work, with honest uncertainty.

`intervals` is mathematics on plain counts; `first_attempt` asks the archive and keeps, for every
figure, its denominator, its interval and the ids of the reports behind it.
"""
