"""Who is at work on what: a lock of the database's that ends with its holder, in whatever way that one ends."""

from collections.abc import Iterator
from contextlib import contextmanager
from zlib import crc32

from django.db import connection

RUNS = 0x0FF1CE01
ROUNDS = 0x0FF1CE02
DOCUMENTS = 0x0FF1CE03
MAILS = 0x0FF1CE04


class Lease:
    """Held as long as the connection that took it lives."""

    def __init__(self, backend: int) -> None:
        self._backend = backend

    def is_held(self) -> bool:
        """Tell whether we still talk over the connection that holds the lease."""
        return _backend() == self._backend


@contextmanager
def lease(kind: int, key: int | str) -> Iterator[Lease | None]:
    """Hold the lease of one thing while the block runs; None when somebody else holds it. Never waits."""
    number = key if isinstance(key, int) else crc32(key.encode())
    name = [kind, number & 0x7FFFFFFF]
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_lock(%s, %s), pg_backend_pid()", name)
        is_ours, backend = cursor.fetchone()
    if not is_ours:
        yield None
        return
    try:
        yield Lease(backend)
    finally:
        # A connection that broke took its lease along; unlocking over another one would only warn.
        if connection.connection is not None and not connection.needs_rollback and _backend_or_none() == backend:
            with connection.cursor() as cursor:
                cursor.execute("SELECT pg_advisory_unlock(%s, %s)", name)


def _backend() -> int:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        return int(cursor.fetchone()[0])


def _backend_or_none() -> int | None:
    info = connection.connection.info if connection.connection is not None else None
    return info.backend_pid if info is not None and not connection.connection.closed else None
