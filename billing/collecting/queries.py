"""Reads about families that owe that screens, notices and autopay share."""

import datetime
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection

from billing import aging
from billing.collecting import parts
from billing.collecting.parts import Word
from billing.models import Arrangement, Instalment, OverdueNotice
from rentals.families.models import Household
from rentals.runtime.money import ZERO

# What was past due when an arrangement was made, less what of it is still unpaid at the end of the day until which an installment
# counts: by allocations in force of what was received, or credited, by then. So a payment that came back counts as never made.
GONE = """
SELECT i.id, i.arrangement_id, i.position, i.due_on, i.amount, a.owed - coalesce((
       SELECT sum(l.amount - coalesce((
              SELECT sum(al.amount) FROM billing_allocation al
                LEFT JOIN billing_payment p ON p.id = al.payment_id LEFT JOIN billing_creditnote k ON k.id = al.credit_note_id
               WHERE al.line_id = l.id AND al.released_at IS NULL
                 AND coalesce(p.received_on, k.credited_on) <= i.due_on + a.grace_days), 0))
         FROM billing_charge c JOIN billing_journalentry e ON e.id = c.entry_id JOIN billing_chargeline l ON l.charge_id = c.id
        WHERE c.household_id = a.household_id AND c.void_entry_id IS NULL
          AND c.due_on <= a.made_on AND e.made_at <= a.made_at), 0)
  FROM billing_instalment i JOIN billing_arrangement a ON a.id = i.arrangement_id WHERE a.id = ANY(%s)
 ORDER BY i.arrangement_id, i.position
"""


@dataclass(frozen=True)
class PartStands:
    """One installment as it stands today; `counts_until` is its day and the days of grace."""

    part: Instalment
    counts_until: datetime.date
    word: Word


@dataclass(frozen=True)
class Standing:
    """An arrangement as it stands today: `ending` is "" while it runs, though nobody may have written it down yet."""

    arrangement: Arrangement
    parts: tuple[PartStands, ...]
    gone: Decimal
    ending: str

    @property
    def runs(self) -> bool:
        """Whether it pauses the steps."""
        return not self.ending

    @property
    def next_part(self) -> PartStands | None:
        """The first installment that is not paid."""
        return next((each for each in self.parts if each.word != Word.PAID), None)


def list_standings(arrangements: Collection[Arrangement], *, today: datetime.date) -> list[Standing]:
    """Return how these arrangements stand, in one query however many they are."""
    instalments: dict[int, list[Instalment]] = {each.pk: [] for each in arrangements}
    gone: dict[int, Decimal] = {}
    with connection.cursor() as cursor:
        cursor.execute(GONE, [list(instalments)])
        for pk, arrangement_id, position, due_on, amount, gone_by_then in cursor.fetchall():
            part = Instalment(pk, arrangement_id, position, due_on, amount)
            instalments[arrangement_id].append(part)
            gone[pk] = gone_by_then
    return [_stands(each, instalments[each.pk], gone, today) for each in arrangements]


def _stands(
    arrangement: Arrangement, instalments: Sequence[Instalment], gone: dict[int, Decimal], today: datetime.date
) -> Standing:
    due, found = ZERO, []
    for part in instalments:
        due += part.amount
        until = part.due_on + datetime.timedelta(days=arrangement.grace_days)
        found.append(PartStands(part, until, parts.judge(due=due, gone=gone[part.pk], counts_until=until, today=today)))
    ending = arrangement.ending or parts.ending_of(
        [each.word for each in found],
        last_on=instalments[-1].due_on,
        is_plan=arrangement.kind == Arrangement.Kind.PLAN,
        today=today,
    )
    return Standing(arrangement, tuple(found), max((gone[part.pk] for part in instalments), default=ZERO), ending)


def list_open_standings(household_ids: Collection[int], *, today: datetime.date) -> list[Standing]:
    """Return how the arrangements of these households stand that nobody has ended yet: running, kept or broken."""
    opened = list(Arrangement.objects.filter(household__in=household_ids, ended_at=None))
    return list_standings(opened, today=today) if opened else []


def list_paused(household_ids: Collection[int], *, today: datetime.date) -> dict[int, Standing]:
    """Return the arrangements that run today for these households, by household: no step is taken meanwhile."""
    standings = list_open_standings(household_ids, today=today)
    return {each.arrangement.household_id: each for each in standings if each.runs}


def is_paused(household: Household, today: datetime.date) -> bool:
    """Tell whether a promise or a payment plan of this household runs today, so that nothing is asked for besides."""
    return household.pk in list_paused([household.pk], today=today)


def count_episodes_under_way(today: datetime.date) -> int:
    """Count the families for whom a step was taken and who still owe from the same day: they go on by their own table."""
    late = {(row.household_id, row.since) for row in aging.list_overdue(today)}
    taken = OverdueNotice.objects.filter(household__in={household for household, _ in late})
    return len(late & set(taken.values_list("household_id", "episode_on")))
