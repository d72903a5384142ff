"""A debit asked for at the counter, where the family authorised one: told today and debited on its day, as every debit is."""

import datetime
from dataclasses import replace
from decimal import Decimal
from itertools import accumulate
from uuid import UUID

from django.db import transaction

from billing.autopay import noticing
from billing.autopay.noticing import NoticeDue
from billing.autopay.pauses import why_paused
from billing.models import AutopayAuthorisation, AutopayNotice
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer


class NotAuthorisedError(Exception):
    """No authorisation is in force."""

    def __init__(self, household: Household) -> None:
        super().__init__(f"The {household.name} family has authorized no debit. Put it on autopay, or take another payment.")
        self.household = household


class ToldAlreadyError(Exception):
    """A debit is told and not made yet; one is told at a time."""

    def __init__(self, notice: AutopayNotice) -> None:
        super().__init__(
            f"The family was told on {written_day(notice.given_on)} that at most {written(notice.amount)} is debited on "
            f"{written_day(notice.debit_on)}. What else is due is told after that; take another payment if it cannot wait."
        )
        self.notice = notice


class PausedError(Exception):
    """A promise or a payment plan runs, and nothing is debited meanwhile."""

    def __init__(self, why: str) -> None:
        super().__init__(f"{why}: nothing is debited meanwhile. Take another payment if the family wants to pay now.")


class NotWholeError(Exception):
    """A debit takes what is due whole. `sums`: what it may come to."""

    def __init__(self, sums: list[Decimal]) -> None:
        may_be = ", ".join(written(each) for each in sums[:6])
        text = (
            f"A debit takes whole charges, the oldest first. It may come to {may_be}."
            if sums
            else "Nothing more can be debited: what is due is told or in a run already."
        )
        super().__init__(text)
        self.sums = sums


def get_authorisation(household_id: int) -> AutopayAuthorisation | None:
    """Return the authorisation of a household that is in force."""
    return AutopayAuthorisation.objects.filter(household_id=household_id, ended_at=None).defer("account_sealed").first()


@transaction.atomic
def ask_for_debit(
    *,
    household: Household,
    amount: Decimal,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
    request_key: UUID | None = None,
) -> AutopayNotice:
    """Tell the family today that this much is debited on the next day of debits (12 CFR 1005.10(d)); the run takes it then.

    Sent again with the same `request_key` it returns the first notice. Outermost. Raises NotAuthorisedError, ToldAlreadyError,
    PausedError, NotWholeError, RequestKeyReusedError.
    """
    if request_key is not None:
        request = {"household": household.pk, "amount": amount}
        answer = claim_request(key=request_key, purpose="bank debit", request=request, acting_user=acting_user)
        if answer is not None:
            return AutopayNotice.objects.get(pk=answer["notice"])
    household = lock_one(Household.objects.filter(pk=household.pk))
    _check(household, today)
    notice = noticing.tell(_cut(household, amount, today), today=today, acting_user=acting_user, now=now)
    if request_key is not None:
        keep_answer(key=request_key, answer={"notice": notice.pk})
    return notice


def _check(household: Household, today: datetime.date) -> None:
    if get_authorisation(household.pk) is None:
        raise NotAuthorisedError(household)
    told = AutopayNotice.objects.filter(household=household, closed_at=None).first()
    if told is not None:
        raise ToldAlreadyError(told)
    paused = why_paused([household.pk], today)
    if paused:
        raise PausedError(paused[household.pk])


def _cut(household: Household, amount: Decimal, today: datetime.date) -> NoticeDue:
    """Cut what could be told to the oldest lines that come to the amount; less what is on account, it is all or nothing."""
    due = noticing.list_notices_due(today=today, household_ids=[household.pk])
    if not due or noticing.was_told(due[0]):
        raise NotWholeError([])
    [told] = due
    if any(line.amount < 0 for line in told.lines):
        sums = {told.amount: len(told.lines)}
    else:
        sums = {total: place for place, total in enumerate(accumulate((line.amount for line in told.lines), initial=ZERO))}
        del sums[ZERO]
    if amount not in sums:
        raise NotWholeError(sorted(sums))
    return replace(told, lines=told.lines[: sums[amount]])
