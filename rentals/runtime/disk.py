"""The one thing a database says that neither passes by itself nor is anybody's mistake: its disk is full."""

import psycopg

FULL = "The database's disk is full: make room for it. This is tried again by itself."


def is_full(error: BaseException) -> bool:
    """Return whether Django's error stands for PostgreSQL's 53100, disk_full. The statement changed nothing."""
    return isinstance(error.__cause__, psycopg.errors.DiskFull)
