"""Reading takings: one day with what should be there, and the list of everybody's days."""

import datetime
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Count, Exists, OuterRef, Prefetch, Q, QuerySet, Sum
from django.db.models.functions import Coalesce

from billing import queries
from billing.models import Payment, PaymentReturn, Refund, Taking, TakingCount
from billing.taking.rules import expected_cash, sum_pieces
from rentals.runtime.money import ZERO

OPEN, WAITING, CLOSED = "open", "waiting", "closed"
STATES = {
    OPEN: {"word": "Open", "tone": "info"},
    WAITING: {"word": "Waiting for a second person", "tone": "warn"},
    CLOSED: {"word": "Closed", "tone": "good"},
}


@dataclass(frozen=True)
class Expected:
    """What a day's takings should hold. `cheques` are those on hand; amounts in the books' currency."""

    taken_cash: Decimal
    paid_back: Decimal
    banked: Decimal
    cheques: tuple[Payment, ...]

    @property
    def cash(self) -> Decimal:
        """Cash that should be there, without the change the drawer began with."""
        return expected_cash(taken=self.taken_cash, paid_back=self.paid_back, banked=self.banked)

    @property
    def cheque_sum(self) -> Decimal:
        """All checks together."""
        return sum((each.amount for each in self.cheques), ZERO)


def get_expected(taking: Taking) -> Expected:
    """Add up a day: cash taken and not voided, cash paid back, what is at the bank already, and the checks on hand."""
    cash = Payment.objects.filter(taking=taking, method=Payment.Method.CASH).exclude(
        payment_return__kind=PaymentReturn.Kind.MISTAKE
    )
    sums = cash.aggregate(taken=Sum("amount"), banked=Sum("amount", filter=Q(deposit__isnull=False)))
    back = Refund.objects.filter(taking=taking, method=Refund.Method.CASH, charge__void_entry=None)
    cheques = Payment.objects.filter(taking=taking, method=Payment.Method.CHEQUE, deposit=None, payment_return=None)
    return Expected(
        taken_cash=sums["taken"] or ZERO,
        paid_back=back.aggregate(sum=Sum("charge__lines__amount"))["sum"] or ZERO,
        banked=sums["banked"] or ZERO,
        cheques=tuple(cheques.select_related("household").order_by("pk")),
    )


def get_count(taking: Taking) -> TakingCount | None:
    """Return the count that stands, None while the day is open."""
    standing = TakingCount.objects.filter(taking=taking, reopened_at=None)
    return standing.select_related("counted_by", "closed_by", "entry", "deposit").first()


def state_of(count: TakingCount | None) -> str:
    """Name the state of a day by the count that stands."""
    return OPEN if count is None else WAITING if count.closed_at is None else CLOSED


def list_payments(taking: Taking) -> QuerySet[Payment]:
    """List what was taken that day, voided mistakes included."""
    rows = taking.payments.select_related("household", "payment_return", "deposit")
    return rows.order_by("method", "pk")


def list_reopened(taking: Taking) -> QuerySet[TakingCount]:
    """List the counts that stand no more, the last first."""
    rows = TakingCount.objects.filter(taking=taking, reopened_at__isnull=False)
    return rows.select_related("counted_by", "reopened_by").order_by("-counted_at")


def pieces_of(count: TakingCount | None) -> list[tuple[int, int, Decimal]]:
    """Return (value in cents, how many, sum) of each denomination counted, the largest first."""
    found = {int(cents): number for cents, number in count.pieces.items()} if count else {}
    return [(cents, found[cents], sum_pieces({cents: found[cents]})) for cents in sorted(found, reverse=True)]


def with_states(rows: Iterable[Taking]) -> list[tuple[Taking, dict[str, str]]]:
    """Put beside each row of `list_takings` the word and tone of its state."""
    return [(row, STATES[state_of(next(iter(row.standing), None))]) for row in rows]  # type: ignore[attr-defined]


def list_takings(*, only_open: bool = False) -> QuerySet[Taking]:
    """List everybody's days with their sums and the count that stands, the newest first, in two queries."""
    good = ~Q(payments__payment_return__kind=PaymentReturn.Kind.MISTAKE)
    rows = Taking.objects.select_related("person").annotate(
        taken=Coalesce(Sum("payments__amount", filter=good), ZERO),
        how_many=Count("payments", filter=good),
        on_hand=Coalesce(Sum("payments__amount", filter=Q(payments__deposit=None, payments__payment_return=None)), ZERO),
    )
    standing = Prefetch("counts", TakingCount.objects.filter(reopened_at=None), to_attr="standing")
    if only_open:
        closed = TakingCount.objects.filter(reopened_at=None, closed_at__isnull=False).values("taking")
        rows = rows.exclude(pk__in=closed)
    return rows.prefetch_related(standing).order_by("-day", "person__name", "pk")


def count_open(*, before: datetime.date) -> int:
    """Count the days before this one that nobody has closed."""
    closed = TakingCount.objects.filter(reopened_at=None, closed_at__isnull=False).values("taking")
    return Taking.objects.filter(day__lt=before, payments__isnull=False).exclude(pk__in=closed).distinct().count()


def list_to_deposit() -> QuerySet[Any]:
    """List the cash and checks on hand; `is_counted` tells whether their day is closed."""
    closed = TakingCount.objects.filter(taking=OuterRef("taking"), reopened_at=None, closed_at__isnull=False)
    return queries.list_undeposited().annotate(is_counted=Exists(closed)).select_related("taking__person")
