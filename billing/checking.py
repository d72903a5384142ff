"""How a check of the books is written down, and how it asks the database. The checks stand in `verify` and beside it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.db import connection

SHOWN = 20
"""So many breaches of one check are named; more would not help anybody."""


@dataclass(frozen=True)
class Check:
    """One check: the invariant of the house it belongs to, what holds when it finds nothing, and the search."""

    invariant: int
    title: str
    find: Callable[[], list[str]]


CHECKS: list[Check] = []


def check(invariant: int, title: str) -> Callable[[Callable[[], list[str]]], Callable[[], list[str]]]:
    """Add a search to the list."""

    def add(find: Callable[[], list[str]]) -> Callable[[], list[str]]:
        CHECKS.append(Check(invariant, title, find))
        return find

    return add


def told(sql: str, parameters: list[Any] | None = None) -> list[str]:
    """Run a query whose one column is a sentence."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM ({sql}) breaches LIMIT {SHOWN}", parameters)  # noqa: S608
        return [row[0] for row in cursor.fetchall()]
