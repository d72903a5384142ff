"""Telling families, ten days ahead, the day and the most of the next debit (12 CFR 1005.10(d)): of what is due, and will be."""

import datetime
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection, transaction
from django.db.models import Sum
from django.utils import translation
from django.utils.translation import pgettext

from billing import allocation, due
from billing.autopay import letters, retries, rules
from billing.autopay.pauses import why_paused
from billing.models import AutopayAuthorisation, AutopayCover, AutopayNotice, Charge, OpenItem
from rentals.agreements.models import Agreement
from rentals.documents.pages import PriceLine
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.staff.models import User

LEAD_DAYS = rules.NOTICE_DAYS + 2
"""Ten days, and two for a letter on its way (common practice, no source)."""

COMING = f"""
WITH {due.steps(due.THESE)}, {due.DUE}
SELECT household_id, number, begins_on, total FROM due ORDER BY household_id, begins_on, number
"""  # noqa: S608 - no part of it comes from outside
UNUSED = f"SELECT household_id, sum(unused) FROM ({allocation.UNUSED_MONEY}) x GROUP BY household_id"  # noqa: S608


@dataclass(frozen=True)
class NoticeDue:
    """What a family is to be told: the lines that will be due by the day, less money it has on account."""

    authorisation: AutopayAuthorisation
    debit_on: datetime.date
    lines: tuple[PriceLine, ...]

    @property
    def amount(self) -> Decimal:
        """The most that will be debited."""
        return sum((line.amount for line in self.lines), ZERO)


def debit_day(today: datetime.date) -> datetime.date:
    """Return the day of debits that families are told about today."""
    return rules.on_or_after(today + datetime.timedelta(days=LEAD_DAYS))


def list_notices_due(*, today: datetime.date, household_ids: Collection[int] | None = None) -> list[NoticeDue]:
    """List whom to tell today, by household; in a few queries however many. Families with a notice under way wait for it."""
    told = AutopayNotice.objects.filter(closed_at=None).values("household_id")
    authorised = AutopayAuthorisation.objects.filter(ended_at=None).exclude(household_id__in=told)
    if household_ids is not None:
        authorised = authorised.filter(household_id__in=household_ids)
    found = {each.household_id: each for each in authorised.select_related("household").order_by("household_id")}
    day = debit_day(today)
    lines = _lines({key: each.household.language for key, each in found.items()}, day)
    paused = why_paused(found, today)
    return [
        NoticeDue(authorisation, day, lines[key])
        for key, authorisation in found.items()
        if key not in paused and sum((line.amount for line in lines.get(key, ())), ZERO) > 0
    ]


def _lines(languages: Mapping[int, str], through: datetime.date) -> dict[int, tuple[PriceLine, ...]]:
    """What will be due by the day, is not under way and not left to the family, line by line; money on account comes off last.

    `languages` by household: each reads its lines in its own.
    """
    household_ids = list(languages)
    under_way = _under_way(household_ids)
    lines: dict[int, list[PriceLine]] = defaultdict(list)
    items = OpenItem.objects.filter(household_id__in=household_ids, due_on__lte=through).select_related("charge__agreement")
    items = items.exclude(charge_id__in=retries.list_left_to_families(household_ids))
    for item in items.order_by("due_on", "charge_id"):
        rest = item.open - under_way.get(item.charge_id, ZERO)
        if rest > 0:
            number = item.charge.agreement.number if item.charge.agreement else ""
            with translation.override(languages[item.household_id]):
                title = letters.due_words(item.charge.get_kind_display(), item.due_on, number)
            lines[item.household_id].append(PriceLine(title, rest))
    for household_id, number, begins_on, total in _coming(household_ids, through):
        with translation.override(languages[household_id]):
            lines[household_id].append(PriceLine(letters.due_words(Charge.Kind.RENT.label, begins_on, number), total))
    for household_id, unused in _unused(household_ids):
        if household_id in lines:
            with translation.override(languages[household_id]):
                lines[household_id].append(PriceLine(pgettext("autopay", "On account"), -unused))
    return {key: tuple(those) for key, those in lines.items()}


def _under_way(household_ids: Sequence[int]) -> Mapping[int, Decimal]:
    """What of each charge a prepared run takes, or waits to be presented again."""
    open_covers = AutopayCover.objects.filter(is_open=True, entry__household_id__in=household_ids)
    found = {row["charge_id"]: row["sum"] for row in open_covers.order_by().values("charge_id").annotate(sum=Sum("amount"))}
    for entry in retries.list_waiting(household_ids):
        for cover in entry.covers.all():
            found.setdefault(cover.charge_id, cover.amount)
    return found


def _coming(household_ids: Sequence[int], through: datetime.date) -> list[tuple[int, str, datetime.date, Decimal]]:
    """What billing will make due by the day, by the same text as the month's run."""
    open_agreements = Agreement.objects.filter(household_id__in=household_ids, ended_on=None).values_list("pk", flat=True)
    with connection.cursor() as cursor:
        cursor.execute(COMING, {"through": through, "agreements": list(open_agreements)})
        return list(cursor.fetchall())


def _unused(household_ids: Sequence[int]) -> list[tuple[int, Decimal]]:
    with connection.cursor() as cursor:
        cursor.execute(UNUSED, {"households": list(household_ids)})
        return list(cursor.fetchall())


def give_notices(*, today: datetime.date, now: datetime.datetime, acting_user: User) -> int:
    """Tell every family whose debit comes up; return how many were told. Outermost.

    May be stopped, repeated or run twice at once: each family has one open notice, and its letter goes out once.
    """
    return sum(
        give_notice(household_id=due.authorisation.household_id, today=today, now=now, acting_user=acting_user) is not None
        for due in list_notices_due(today=today)
    )


@transaction.atomic
def give_notice(*, household_id: int, today: datetime.date, now: datetime.datetime, acting_user: User) -> AutopayNotice | None:
    """Tell one family, as its account stands now; None when there is nothing to tell any more. Outermost."""
    household = lock_one(Household.objects.filter(pk=household_id))
    for due_now in list_notices_due(today=today, household_ids=[household.pk]):
        return None if was_told(due_now) else tell(due_now, today=today, acting_user=acting_user, now=now)
    return None


def was_told(due_now: NoticeDue) -> bool:
    """Tell whether the family was told of a debit of that day before."""
    return due_now.authorisation.notices.filter(debit_on=due_now.debit_on).exists()


def tell(due_now: NoticeDue, *, today: datetime.date, acting_user: User, now: datetime.datetime) -> AutopayNotice:
    """Write to the family and keep what it was told: inside an operation that has locked the household."""
    authorisation, household = due_now.authorisation, due_now.authorisation.household
    with translation.override(household.language):
        account = letters.account_words(authorisation.account_type, authorisation.last_four)
        message = letters.send(
            household=household,
            kind="autopay_notice",
            key=f"autopay-notice/{authorisation.pk}/{due_now.debit_on}",
            heading=pgettext("autopay", "What we will debit from your account"),
            today=today,
            amounts=due_now.lines,
            code="autopay_notice",
            places=letters.notice_places(due_now.amount, due_now.debit_on, account),
            acting_user=acting_user,
            now=now,
        )
    return AutopayNotice.objects.create(
        household=household,
        authorisation=authorisation,
        amount=due_now.amount,
        debit_on=due_now.debit_on,
        given_on=today,
        message=message,
    )
