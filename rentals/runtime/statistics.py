"""After a great deal was written in one transaction: checks that wait are made, and the planner's statistics renewed."""

from django.db import connection


def refresh_statistics() -> None:
    """Analyze every table, inside the transaction that wrote: a fresh fleet or a loaded history is planned for as it is."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT refresh_statistics()")


def check_what_waits() -> None:
    """Make the deferred checks now and defer the next ones again: triggers slow down with every check that waits."""
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")
