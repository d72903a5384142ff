"""The one way to lock rows: inside a transaction, in one order for the whole house, and never for long."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from django.db import OperationalError, connection, models

ORDER = ["families.household", "agreements.agreement", "inventory.instrument", "billing.charge", "billing.payment"]
WAIT = "3s"


class RowsBusyError(Exception):
    """Somebody else is changing the same rows and did not finish in time."""


class LockOutsideTransactionError(RuntimeError):
    """A lock was asked for where it would be gone at once."""


def _rank(rows: models.QuerySet[Any]) -> int:
    label = rows.model._meta.label_lower
    return ORDER.index(label) if label in ORDER else len(ORDER)


@contextmanager
def _not_for_long() -> Iterator[None]:
    """Wait for a lock three seconds and no more."""
    if not connection.in_atomic_block:
        message = "a lock needs an open transaction: put the operation under transaction.atomic(durable=True)"
        raise LockOutsideTransactionError(message)
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('lock_timeout', %s, true)", [WAIT])
    try:
        yield
    except OperationalError as error:
        if getattr(error.__cause__, "sqlstate", None) == "55P03":
            message = "Someone else is working on the same record right now. Wait a moment and try again."
            raise RowsBusyError(message) from error
        raise


def lock_rows(*querysets: models.QuerySet[Any], strength: str = "update") -> list[list[Any]]:
    """Lock the rows of each queryset and return them, one list per queryset in the order given.

    Whatever the order of the arguments, rows are locked household first, then agreement, instrument, charge, payment,
    then anything else, each by primary key, so that two operations never wait for each other in a circle.
    `strength`: "update" (nobody else may lock or change) or "no_key" (others may still refer to the row).

    Raises LockOutsideTransactionError outside `transaction.atomic`; RowsBusyError after three seconds of waiting.
    """
    locked: dict[int, list[Any]] = {}
    with _not_for_long():
        for position in sorted(range(len(querysets)), key=lambda i: (_rank(querysets[i]), i)):
            rows = querysets[position].order_by("pk").select_for_update(of=("self",), no_key=strength == "no_key")
            locked[position] = list(rows)
    return [locked[position] for position in range(len(querysets))]


def lock_one(queryset: models.QuerySet[Any], *, strength: str = "update") -> Any:
    """Lock and return the one row of `queryset`. Raises its model's DoesNotExist when there is none."""
    rows: Iterable[Any] = lock_rows(queryset, strength=strength)[0]
    for row in rows:
        return row
    raise queryset.model.DoesNotExist


def share_one(queryset: models.QuerySet[Any]) -> Any:
    """Return the one row of `queryset`, kept as it is until the transaction ends: others may share it, nobody may change it.

    Who shares a row and then locks it may wait for another who does the same: lock it at once where it will be changed.
    Raises its model's DoesNotExist, LockOutsideTransactionError, RowsBusyError.
    """
    table = connection.ops.quote_name(queryset.model._meta.db_table)
    row = queryset.get()
    with _not_for_long(), connection.cursor() as cursor:
        cursor.execute(f"SELECT FROM {table} WHERE id = %s FOR SHARE", [row.pk])
    return queryset.get()


def lock_name(name: str) -> None:
    """Let one transaction after the other go on that names the same thing: for what has no row yet. Raises as `lock_rows`."""
    with _not_for_long(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))", [name])
