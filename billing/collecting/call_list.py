"""Whom to call today: by a step, or by the day noted last time. Who has paid, or promised and not broken it, is not called."""

import datetime
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from django.db import connection
from django.utils import timezone

from billing import aging
from billing.collecting import queries
from billing.models import CallNote, OverdueNotice, OverdueStep

# Of each of these episodes: the last step taken, whether a promise or plan made in it was broken, the calls noted in it, the
# schools of the family's students, and whom to ask for.
FACTS = """
SELECT e.household_id, coalesce(taken.kind, ''), taken.wording,
       EXISTS (SELECT FROM billing_arrangement a
                WHERE a.household_id = e.household_id AND a.ending = 'broken' AND a.made_on >= e.since),
       (SELECT count(*) FROM billing_callnote n
         WHERE n.household_id = e.household_id AND n.called_at >= e.since::timestamp AT TIME ZONE %(zone)s),
       ARRAY(SELECT DISTINCT p.school_id FROM families_student s JOIN schools_programme p ON p.id = s.programme_id
              WHERE s.household_id = e.household_id),
       coalesce(g.given_name || ' ' || g.family_name, ''), coalesce(g.phone, '')
  FROM unnest(%(households)s::bigint[], %(since)s::date[]) e (household_id, since)
  LEFT JOIN LATERAL (
       SELECT s.kind, s.wording FROM billing_overduenotice n JOIN billing_overduestep s ON s.id = n.rule_id
        WHERE n.household_id = e.household_id AND n.episode_on = e.since ORDER BY n.step DESC LIMIT 1) taken ON true
  LEFT JOIN LATERAL (
       SELECT * FROM families_guardian g WHERE g.household_id = e.household_id ORDER BY g.is_primary DESC, g.id LIMIT 1) g ON true
"""
SORTS: dict[str, Any] = {
    "call_on": lambda each: (each.call_on, each.since),
    "name": lambda each: each.name.casefold(),
    "amount": lambda each: each.amount,
}
LONG_AGO = (3, 7, 14)


@dataclass(frozen=True)
class ToCall:
    """A family on the call list: what it owes since when, the day it is to be called, and what was done in this episode.

    `step` is the last one taken, None before the first; `last` the last call whenever it was, `calls` how many in this episode.
    """

    household_id: int
    number: str
    name: str
    since: datetime.date
    days_late: int
    amount: Decimal
    call_on: datetime.date
    last: CallNote | None
    step: OverdueStep | None
    is_broken: bool
    calls: int
    schools: frozenset[int]
    ask_for: str
    phone: str

    @property
    def step_code(self) -> str:
        """The kind of the last step and its words, as the address names it."""
        return code_of(self.step)

    def days_since_call(self, today: datetime.date) -> int | None:
        """Days since the last call in this episode, None when there was none."""
        return (today - timezone.localdate(self.last.called_at)).days if self.last and self.calls else None


def code_of(step: OverdueStep | None) -> str:
    """Name a step by what is done, whatever table it stands in."""
    if step is None:
        return "none"
    return f"{step.kind}-{step.wording}" if step.wording else str(step.kind)


@dataclass(frozen=True)
class Wanted:
    """What the address asks for. Anything it does not understand counts as not asked."""

    step: str = ""
    only_broken: bool = False
    school: int = 0
    least: Decimal = Decimal(0)
    called: str = ""
    sort: str = "call_on"

    @property
    def is_narrowed(self) -> bool:
        """Whether some rows are left out."""
        return bool(self.step or self.only_broken or self.school or self.least or self.called)

    def lets_pass(self, each: ToCall, today: datetime.date) -> bool:
        """Tell whether a family is asked for."""
        ago = each.days_since_call(today)
        return (
            self.step in {"", each.step_code}
            and (each.is_broken or not self.only_broken)
            and (not self.school or self.school in each.schools)
            and each.amount >= self.least
            and (not self.called or (ago is None if self.called == "never" else ago is None or ago >= int(self.called)))
        )


def list_calls(*, today: datetime.date) -> list[ToCall]:
    """List whom to call by today, the earliest first, in six queries at most."""
    found, broken = _due(today)
    households, since = [each.household_id for each in found], [each.since for each in found]
    given: dict[str, Any] = {"households": households, "since": since, "zone": timezone.get_current_timezone_name()}
    with connection.cursor() as cursor:
        cursor.execute(FACTS, given)
        facts = {row[0]: row[1:] for row in cursor.fetchall()}
    return [_with_facts(each, facts[each.household_id], is_broken=each.household_id in broken) for each in found]


def count_calls(today: datetime.date) -> int:
    """Count whom to call by today."""
    return len(_due(today)[0])


def narrow(calls: Sequence[ToCall], wanted: Wanted, *, today: datetime.date) -> list[ToCall]:
    """Return those that are asked for in the order asked for, ties as the list has them."""
    kept = [each for each in calls if wanted.lets_pass(each, today)]
    return sorted(kept, key=SORTS[wanted.sort.lstrip("-")], reverse=wanted.sort.startswith("-"))


def list_last_notes(household_ids: Collection[int]) -> dict[int, CallNote]:
    """Return the last note of these households."""
    notes = CallNote.objects.filter(household__in=household_ids).select_related("called_by")
    return {each.household_id: each for each in notes.order_by("household", "-called_at", "-pk").distinct("household")}


def _due(today: datetime.date) -> tuple[list[ToCall], set[int]]:
    """Return whom to call, the earliest first, and the households whose promise is broken though nobody wrote it down yet."""
    rows = {row.household_id: row for row in aging.list_overdue(today)}
    last = list_last_notes(rows)
    days = {pk: on for pk, on in _days_to_call(rows, last).items() if on <= today}
    standings = queries.list_open_standings(days, today=today)
    paused = {each.arrangement.household_id for each in standings if each.runs}
    broken = {each.arrangement.household_id for each in standings if each.ending == "broken"}
    found = []
    for pk in days.keys() - paused:
        row, late = rows[pk], (today - rows[pk].since).days
        none: dict[str, Any] = {"step": None, "is_broken": False, "calls": 0, "schools": frozenset(), "ask_for": "", "phone": ""}
        found.append(ToCall(pk, row.number, row.name, row.since, late, row.amount, days[pk], last.get(pk), **none))
    return sorted(found, key=lambda each: (each.call_on, each.since, each.household_id)), broken


def _with_facts(each: ToCall, facts: Sequence[Any], *, is_broken: bool) -> ToCall:
    kind, wording, was_broken, calls, schools, ask_for, phone = facts
    step = OverdueStep(kind=kind, wording=wording) if kind else None
    known = {"step": step, "calls": calls, "schools": frozenset(schools), "ask_for": ask_for, "phone": phone}
    return replace(each, is_broken=is_broken or was_broken, **known)


def _days_to_call(rows: dict[int, aging.Overdue], last: dict[int, CallNote]) -> dict[int, datetime.date]:
    """Return the day on which each of these is to be called, by household; who is not to be called is left out."""
    days = {}
    notices = OverdueNotice.objects.filter(household__in=rows, rule__kind=OverdueStep.Kind.CALL).order_by("made_at")
    for household_id, since, made_at in notices.values_list("household_id", "episode_on", "made_at"):
        note = last.get(household_id)
        if rows[household_id].since == since and (note is None or note.called_at < made_at):
            days[household_id] = timezone.localdate(made_at)
    for household_id, note in last.items():
        if note.next_call_on is not None:
            days.setdefault(household_id, note.next_call_on)
    return days
