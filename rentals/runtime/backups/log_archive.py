"""Whether PostgreSQL's own log gets into its archive, where the server keeps one (DEVELOPERS.md, "To any minute")."""

import datetime
from typing import Any

LATE = datetime.timedelta(minutes=10)
"""Twice the five minutes after which the server begins a new segment."""


def why_behind(cursor: Any, *, late: datetime.timedelta = LATE) -> str:
    """Return in a sentence what is wrong with the archive of the log, "" when nothing is or the server keeps none. One query."""
    cursor.execute(
        """
        SELECT CASE WHEN last_failed_time > coalesce(last_archived_time, '-infinity') THEN last_failed_wal ELSE '' END,
               greatest(last_archived_time, pg_postmaster_start_time()) < now() - %s
          FROM pg_stat_archiver WHERE current_setting('archive_mode') <> 'off'""",
        [late],
    )
    failed, is_late = cursor.fetchone() or ("", False)
    if failed:
        return (
            f"The database's log could not be archived ({failed}): what happens from now on could not be brought back to the "
            "minute, and the log fills the disk. The database server's own log says why."
        )
    if is_late:
        return (
            f"The database's log was not archived for more than {late.total_seconds() / 60:g} minutes: see that archive_timeout "
            "is 300 and that the archive is reached."
        )
    return ""
