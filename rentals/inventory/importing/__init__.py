"""A shop's own spreadsheet on its way into the fleet: read the file, understand its columns, check every row.

Nothing here writes.
"""
