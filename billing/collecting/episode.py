"""A family that owes, as one page shows it: what is past due, what comes next, and everything that was done about it."""

import datetime
from dataclasses import dataclass
from typing import Any

from django.urls import reverse

from billing import aging, overdue
from billing.collecting import queries
from billing.collecting.queries import Standing
from billing.models import Arrangement, CallNote, OverdueNotice
from rentals.families.models import Household
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written

TONES = {"kept": ("Kept", "good"), "broken": ("Broken", "bad"), "withdrawn": ("Withdrawn", "quiet"), "": ("Runs", "info")}


@dataclass(frozen=True)
class Episode:
    """What one family owes past its due date (None: nothing), the arrangement that runs, and what was done, newest first."""

    late: aging.Overdue | None
    standing: Standing | None
    events: list[dict[str, Any]]
    ahead: list[dict[str, Any]]


def get_episode(household: Household, *, today: datetime.date) -> Episode:
    """Return everything about what a household owes."""
    late = next((row for row in aging.list_overdue(today) if row.household_id == household.pk), None)
    standings = queries.list_standings(list(household.arrangements.select_related("made_by").order_by("pk")), today=today)
    running = next((each for each in standings if each.runs), None)
    ahead = []
    if late is not None and running is None:
        progress = overdue.list_progress([(household.pk, late.since)])[household.pk]
        ahead = [{"at": max(each.on, today), "text": each.step.name} for each in progress.foresee()]
    notices = OverdueNotice.objects.filter(household=household).select_related("rule", "message")
    events = [*map(_notice, notices), *map(_call, household.call_notes.select_related("called_by")), *map(_arranged, standings)]
    return Episode(late, running, sorted(events, key=lambda each: each["at"], reverse=True), ahead)


def _notice(notice: OverdueNotice) -> dict[str, Any]:
    url = reverse("outbox_message", args=[notice.message_id]) if notice.message_id else ""
    return {"at": notice.made_at, "text": notice.rule.name, "note": f"unpaid since {written_day(notice.episode_on)}", "url": url}


def _call(call: CallNote) -> dict[str, Any]:
    words = [call.said, f"Next call {written_day(call.next_call_on)}." if call.next_call_on else ""]
    reached = f"Called: reached {call.spoke_with}" if call.spoke_with else f"Called: {call.get_outcome_display().lower()}"
    return {"at": call.called_at, "text": reached, "note": " ".join(filter(None, words)), "who": call.called_by.name}


def _arranged(standing: Standing) -> dict[str, Any]:
    found: Arrangement = standing.arrangement
    days = ", ".join(f"{written(each.part.amount)} by {written_day(each.part.due_on)}" for each in standing.parts)
    word = TONES[standing.ending][0].lower()
    text = f"{found.get_kind_display()} of {written(found.amount)} by {found.promised_by}: {word}"
    note = "; ".join(filter(None, [days, found.note, found.why]))
    return {"at": found.made_at, "text": text, "note": note, "who": found.made_by.name}
