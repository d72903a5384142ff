"""The administrator's page of backups: when, how large, whether read through, and what to do when the last one is too old."""

import datetime
from typing import Any

from django.conf import settings
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from rentals.runtime import clock
from rentals.runtime.backups import keys, nightly
from rentals.runtime.backups.folder import backups_folder, list_archives, megabytes
from rentals.runtime.models import BackupRecord
from rentals.staff.policy import requires

State = BackupRecord.State
STATUS = {
    State.RUNNING: ("Running", "info"),
    State.VERIFIED: ("Read through", "good"),
    State.MADE: ("Not read through", "warn"),
    State.FAILED: ("Failed", "bad"),
}
CUT_OFF = nightly.AT_MOST
"""A backup that says for so long that it runs was cut off: nothing of it is left."""


@requires("backups.view")
@never_cache
@require_GET
def backups(request: HttpRequest) -> HttpResponseBase:
    """List the backups, the latest first, with the age of the last good one above."""
    now = clock.now()
    folder, key = backups_folder(settings.STATE_DIR), keys.key_path(settings.STATE_DIR)
    try:
        lying = {archive.path.name for archive in list_archives(folder)}
        has_key = key.is_file()
    except OSError:
        lying, has_key = set(), False
    last = nightly.last_good()
    page = Paginator(BackupRecord.objects.order_by("-began_at", "-pk"), 30).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "rows": [_row(record, now, lying=lying, folder=str(folder)) for record in page],
        "last": last,
        "last_size": megabytes(last.size or 0) if last else "",
        "too_old": nightly.is_too_old(now),
        "folder": folder,
        "key": key,
        "has_key": has_key,
    }
    return render(request, "jobs/backups.html", context)


def _row(record: BackupRecord, now: datetime.datetime, *, lying: set[str], folder: str) -> dict[str, Any]:
    """Give a record with the word for its state, and whether its archive still lies there."""
    word, tone = STATUS[State(record.state)]
    if record.state == State.RUNNING and now - record.began_at > CUT_OFF:
        word, tone = "Cut off", "bad"
    gone = record.state in {State.VERIFIED, State.MADE} and record.folder == folder and record.file_name not in lying
    return {"record": record, "word": word, "tone": tone, "gone": gone, "size": megabytes(record.size) if record.size else ""}
