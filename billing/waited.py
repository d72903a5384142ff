"""Days a family paid rent for without an instrument: what they come to, and giving it back as an adjustment somebody confirms."""

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from uuid import UUID

from django.db import transaction
from django.db.models import F, Prefetch, Q, QuerySet, Sum
from django.db.models.functions import Coalesce
from django.utils import timezone

from billing.adjustments import AdjustmentAsked, ask_for_adjustment
from billing.credits import ReasonMissingError
from billing.models import Charge, ChargeLine, WaitedCredit
from rentals.agreements.models import AgreementUnit, UnitPromise
from rentals.agreements.periods import prorated
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer
from rentals.staff.policy import require

Span = tuple[datetime.date, datetime.date | None]


class WaitDecidedError(Exception):
    """Somebody decided about this wait before."""

    def __init__(self, made: WaitedCredit) -> None:
        self.made = made
        what = f"{written(made.amount)} was given back" if made.adjustment_id else "nothing was given back"
        super().__init__(f"{made.decided_by.name} decided about these days on {written_day(made.decided_at)}: {what}.")


class WaitChangedError(Exception):
    """What the days come to is not what was on the screen."""

    def __init__(self, waited: "Waited") -> None:
        self.waited = waited
        super().__init__(f"The days come to {written(waited.amount)} by now: look at the arithmetic once more.")


@dataclass(frozen=True)
class WaitedPeriod:
    """A period's share. `ends_on` is exclusive; of its `of_days` days the family waited `days`; `paid` is the rent paid of it."""

    begins_on: datetime.date
    ends_on: datetime.date
    paid: Decimal
    days: int

    @property
    def of_days(self) -> int:
        """All its days."""
        return (self.ends_on - self.begins_on).days

    @property
    def amount(self) -> Decimal:
        """Its days' share of the rent paid, half up to the cent."""
        return prorated(self.paid, self.days, self.of_days)

    @property
    def last_on(self) -> datetime.date:
        """Its last day."""
        return self.ends_on - datetime.timedelta(days=1)


@dataclass(frozen=True)
class Waited:
    """A family's wait from `since` until `until` (exclusive): its days without an instrument, with a loaner, its periods."""

    promise: UnitPromise
    since: datetime.date
    until: datetime.date
    days: int
    lent_days: int
    periods: tuple[WaitedPeriod, ...]

    @property
    def amount(self) -> Decimal:
        """All periods together."""
        return sum((period.amount for period in self.periods), ZERO)

    @property
    def reason(self) -> str:
        """What the family reads."""
        word = "day" if self.days == 1 else "days"
        return f"Waited {self.days} {word} for the instrument, which came on {written_day(self.until)}: the rent paid for them"


def days_without(since: datetime.date, until: datetime.date, held: Sequence[Span]) -> list[datetime.date]:
    """List the days from `since` until `until` (exclusive) on which no span covers; spans are half-open, None goes on.

    >>> day = datetime.date
    >>> len(days_without(day(2026, 11, 2), day(2026, 11, 9), [(day(2026, 11, 4), day(2026, 11, 6))]))
    5
    """
    days = (since + datetime.timedelta(days=n) for n in range((until - since).days))
    return [each for each in days if not any(begins <= each and (ends is None or each < ends) for begins, ends in held)]


def list_proposals() -> list[Waited]:
    """List what is proposed for waits that ended with an instrument and nobody decided about, the oldest first; 3 queries."""
    ended = _promises().filter(given__isnull=False, waited_credit=None).exclude(agreement__end_reason="voided")
    ended = ended.filter(settled_at__date__gt=F("agreement__starts_on"))
    return [waited for waited in measure(ended.order_by("settled_at", "pk"), today=datetime.date.max) if waited.amount]


def get_waited(promise: UnitPromise, *, today: datetime.date) -> Waited:
    """Return one family's wait, up to `today` while it goes on."""
    return measure(_promises().filter(pk=promise.pk), today=today)[0]


def measure(promises: Iterable[UnitPromise], *, today: datetime.date) -> list[Waited]:
    """Return these families' waits: days without any instrument, and the rent paid for them by payments in force.

    Rent of 30.00 paid for thirty days, four of them waited: 30.00 x 4 / 30 = 4.00. A day with a loaner is none of them.
    Common practice, no source; what a family is owed besides says the law of its state.
    """
    rows = list(promises)
    rents: dict[int, list[ChargeLine]] = {}
    for line in _list_rent_lines([row.agreement_id for row in rows]):
        assert line.charge.agreement_id is not None
        rents.setdefault(line.charge.agreement_id, []).append(line)
    return [_measure(row, rents.get(row.agreement_id, []), today) for row in rows]


def _measure(promise: UnitPromise, lines: list[ChargeLine], today: datetime.date) -> Waited:
    since = promise.agreement.starts_on
    until = max(since, timezone.localdate(promise.settled_at) if promise.settled_at else today)
    units: list[AgreementUnit] = promise.agreement.loaners  # type: ignore[attr-defined]
    held = [(timezone.localdate(each.began_at), each.ended_at and timezone.localdate(each.ended_at)) for each in units]
    days = days_without(since, until, held)
    periods = []
    for line in lines:
        begins_on, ends_on = line.charge.period_begins_on, line.charge.period_ends_on
        assert begins_on is not None
        assert ends_on is not None
        within = sum(1 for each in days if begins_on <= each < ends_on)
        if within:
            periods.append(WaitedPeriod(begins_on, ends_on, line.paid, within))  # type: ignore[attr-defined]
    return Waited(promise, since, until, len(days), (until - since).days - len(days), tuple(periods))


def _promises() -> QuerySet[UnitPromise]:
    loaners = AgreementUnit.objects.filter(role=AgreementUnit.Role.LOANER)
    rows = UnitPromise.objects.select_related(
        "agreement__household", "agreement__student", "item__kind", "given", "night__school"
    )
    return rows.prefetch_related(Prefetch("agreement__units", queryset=loaners, to_attr="loaners"))


def _list_rent_lines(agreements: Sequence[int]) -> QuerySet[ChargeLine]:
    """List rent by period, `paid` of it by payments: a credit note pays a line, but is no rent paid."""
    money = Q(allocations__released_at=None, allocations__payment__isnull=False)
    charged = {"charge__agreement__in": agreements, "charge__kind": Charge.Kind.RENT, "charge__void_entry": None}
    lines = ChargeLine.objects.filter(**charged, kind=ChargeLine.Kind.RENT, is_tax=False).select_related("charge")
    paid = lines.annotate(paid=Coalesce(Sum("allocations__amount", filter=money), ZERO))
    return paid.order_by("charge__period_begins_on", "pk")


@transaction.atomic
def give_back(
    *, promise: UnitPromise, shown: Decimal, request_key: UUID, acting_user: User, now: datetime.datetime
) -> WaitedCredit:
    """Give the rent of the waited days back, by an adjustment that the office's limit and a second person hold as any other.

    `shown` is what the screen said. Outermost. Sent again with the same key it is the same decision.
    Raises WaitDecidedError, WaitChangedError, PermissionDenied, and what `ask_for_adjustment` raises.
    """
    made, waited = _begin(promise, shown, request={"give": True}, key=request_key, acting_user=acting_user, now=now)
    if made is not None:
        return made
    agreement = waited.promise.agreement
    asked = AdjustmentAsked(agreement.household, agreement, "less", waited.amount, waited.reason)
    adjustment = ask_for_adjustment(asked=asked, acting_user=acting_user, now=now)
    made = _decide(waited, acting_user, now)
    made.adjustment = adjustment
    made.save(force_insert=True)
    keep_answer(key=request_key, answer={"waited_credit": made.pk})
    return made


@transaction.atomic
def give_nothing_back(
    *, promise: UnitPromise, shown: Decimal, reason: str, request_key: UUID, acting_user: User, now: datetime.datetime
) -> WaitedCredit:
    """Write down that nothing is given back for the waited days, and why. Raises as `give_back`, and ReasonMissingError."""
    if not reason.strip():
        raise ReasonMissingError
    made, waited = _begin(
        promise, shown, request={"give": False, "reason": reason}, key=request_key, acting_user=acting_user, now=now
    )
    if made is not None:
        return made
    made = _decide(waited, acting_user, now)
    made.reason = reason.strip()[:200]
    made.save(force_insert=True)
    keep_answer(key=request_key, answer={"waited_credit": made.pk})
    return made


def _begin(
    promise: UnitPromise, shown: Decimal, *, request: dict[str, object], key: UUID, acting_user: User, now: datetime.datetime
) -> tuple[WaitedCredit | None, Waited]:
    """Claim the request, lock the family, and hold what was shown against what it comes to now."""
    require(acting_user, "adjustments.ask")
    told = {"promise": promise.pk, "shown": shown, **request}
    answer = claim_request(key=key, purpose="waited_credit", request=told, acting_user=acting_user)
    lock_one(Household.objects.filter(pk=promise.agreement.household_id))
    waited = get_waited(promise, today=timezone.localdate(now))
    if answer is not None:
        return WaitedCredit.objects.get(pk=answer["waited_credit"]), waited
    before = WaitedCredit.objects.select_related("decided_by").filter(promise=promise).first()
    if before is not None:
        raise WaitDecidedError(before)
    if waited.promise.given_id is None or not waited.amount or waited.amount != shown:
        raise WaitChangedError(waited)
    return None, waited


def _decide(waited: Waited, acting_user: User, now: datetime.datetime) -> WaitedCredit:
    working = [
        [
            period.begins_on.isoformat(),
            period.last_on.isoformat(),
            str(period.paid),
            period.days,
            period.of_days,
            str(period.amount),
        ]
        for period in waited.periods
    ]
    facts = {"promise": waited.promise, "days": waited.days, "amount": waited.amount, "working": working}
    return WaitedCredit(**facts, decided_at=now, decided_by=acting_user)
