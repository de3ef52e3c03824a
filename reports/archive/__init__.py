"""The archive: the shop's store of verified reports, which the audit reads.

`sql` holds every statement, `steps` the schema as named steps, `store` what callers use.
"""
