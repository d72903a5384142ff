"""The lock of the fleet's books: whoever works on the whole fleet holds it alone, whoever takes one instrument out shares it."""

from django.db import OperationalError, connection

from rentals.runtime.locks import WAIT, RowsBusyError


def hold_fleet(*, shared: bool = False) -> None:
    """Take the lock until the end of the transaction, or raise RowsBusyError after three seconds of waiting."""
    function = "pg_advisory_xact_lock_shared" if shared else "pg_advisory_xact_lock"
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT set_config('lock_timeout', %s, true)", [WAIT])
            cursor.execute(f"SELECT {function}(hashtext('billing.fleet'))")
    except OperationalError as error:
        if getattr(error.__cause__, "sqlstate", None) == "55P03":
            raise RowsBusyError("The fleet's books are being worked on right now. Wait a moment and try again.") from error
        raise
