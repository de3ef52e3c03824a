"""The documents as frozen values: one module per document, no input or output.

Members have the names and units of the JSON; `reports.codec` turns one into the other.
"""
