"""The cases that the advice is asked about: what their repair would cost, what one of their kind earns, what they are worth."""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from dateutil.relativedelta import relativedelta
from django.db.models import OuterRef, Q, Subquery, Sum

from billing.earning import queries, repairs, worth
from billing.earning.advice import MONTHS_AHEAD, Advice, Case, advise
from billing.earning.queries import Figures, Fleet
from billing.earning.spans import Span
from rentals.inventory.models import Custody, Estimate, Instrument, WorkOrder
from rentals.runtime.money import cents

ENOUGH_MONTHS = 12
"""Months that instruments of one item were the shop's, together, before its own figures are taken and not its kind's."""
REPAIRS_BACK = 24
"""Months of finished repairs that say what one usually costs."""


@dataclass(frozen=True)
class Judged:
    """An instrument with its advice. `repair_by` says where the cost of the repair is from, `rent_by` whose rent it is."""

    instrument: Instrument
    order: WorkOrder | None
    case: Case | None
    advice: Advice | None
    repair_by: str
    rent_by: str


@dataclass(frozen=True)
class Ground:
    """What all cases of a day stand on."""

    fleet: Fleet
    by_kind: dict[str | int, Figures]
    usual: dict[int, tuple[int, Decimal]]
    catalogue: queries.Catalogue

    def pace(self, instrument: Instrument) -> tuple[Decimal | None, Decimal, str]:
        """Return the rent and the work at the bench of one such instrument a month, and of which instruments that is."""
        item, kind = instrument.item, instrument.item.kind
        own = self.fleet.by_item.get(item.pk, Figures())
        of_item = own.use.months_owned >= ENOUGH_MONTHS
        figures = own if of_item else self.by_kind.get(kind.code, Figures())
        months = Decimal(figures.use.months_owned)
        whose = str(item) if of_item else f"all of kind {kind.name.lower()}"
        if months <= 0 or figures.earned.net <= 0:
            return None, Decimal(0), whose
        return cents(figures.earned.net / months), cents(figures.repairs / months), whose

    def usual_repair(self, instrument: Instrument) -> tuple[Decimal | None, str]:
        """Return what a repair of such an instrument usually comes to, and of which."""
        item, kind = instrument.item, instrument.item.kind
        alike = self.catalogue.of_kind(kind.code)
        for items, whose in (([item.pk], str(item)), (alike, kind.name.lower())):
            found = [self.usual[pk] for pk in items if pk in self.usual]
            count, cost = sum(each[0] for each in found), sum((each[1] for each in found), Decimal(0))
            if count:
                return cents(cost / count), f"average of {count} repair{'' if count == 1 else 's'} of {whose}"
        return None, "Nobody has said yet"


def stand_on(catalogue: queries.Catalogue, today: datetime.date, now: datetime.datetime, kind: str = "") -> Ground:
    """Read what all cases, or those of a kind, stand on: the last twelve months of the fleet, and its repairs of two years."""
    after = today + datetime.timedelta(days=1)
    only = catalogue.of_kind(kind) if kind else None
    fleet = queries.measure(Span("", "", after - relativedelta(years=1), after), now, only)
    usual = repairs.list_usual(Span("", "", after - relativedelta(months=REPAIRS_BACK), after))
    by_kind = {row.key: row.figures for row in queries.list_kinds(fleet, catalogue)}
    return Ground(fleet, by_kind, usual, catalogue)


def list_judged(ground: Ground, kind: str = "") -> list[Judged]:
    """Judge whatever has a repair open, and whatever is at the shop in poor condition, by tag."""
    here = Custody.objects.filter(ended_at=None, place__in=[Custody.Place.SHELF, Custody.Place.BENCH]).values("instrument")
    orders = WorkOrder.objects.filter(closed_at=None, kind=WorkOrder.Kind.REPAIR)
    found: Any = Instrument.objects.filter(
        Q(pk__in=orders.values("instrument")) | Q(grade=Instrument.Grade.POOR, pk__in=here)
    ).select_related("item__kind")
    if kind:
        found = found.filter(item__kind=kind)
    instruments = list(found.order_by("asset_tag"))
    return _judge(ground, instruments, worth.list_of_instruments([each.pk for each in instruments]))


def judge(ground: Ground, instrument: Instrument, *, repair: Decimal | None = None, months: int | None = None) -> Judged:
    """Judge one instrument, by what is known, or by what somebody supposes its repair costs and how long it rents on."""
    return _judge(ground, [instrument], worth.list_of_instruments([instrument.pk]), repair=repair, months=months)[0]


def _judge(
    ground: Ground,
    instruments: list[Instrument],
    worths: dict[int, worth.Worth],
    *,
    repair: Decimal | None = None,
    months: int | None = None,
) -> list[Judged]:
    orders = {each.instrument_id: each for each in _orders(instruments)}
    judged = []
    for instrument in instruments:
        order = orders.get(instrument.pk)
        cost, cost_by = _repair(ground, instrument, order, repair)
        rent, upkeep, rent_by = ground.pace(instrument)
        if cost is None:
            judged.append(Judged(instrument, order, None, None, cost_by, rent_by))
            continue
        item = instrument.item
        case = Case(
            repair=cost,
            rent=rent,
            upkeep=upkeep,
            months=months or MONTHS_AHEAD[instrument.grade],
            used=item.used_price.amount if item.used_price else None,
            replacement=item.replacement_value.amount,
            book_value=worths.get(instrument.pk, worth.Worth()).book_value,
        )
        judged.append(Judged(instrument, order, case, advise(case), cost_by, rent_by))
    return judged


def _orders(instruments: list[Instrument]) -> list[Any]:
    """List their open repairs, each with its newest `estimate`, whatever was decided on it: it says what the work comes to."""
    newest = Estimate.objects.filter(order=OuterRef("pk")).order_by("-made_at", "-pk").annotate(asked=Sum("lines__price"))
    found = WorkOrder.objects.filter(instrument__in=instruments, closed_at=None, kind=WorkOrder.Kind.REPAIR)
    return list(found.annotate(estimate=Subquery(newest.values("asked")[:1])))


def _repair(ground: Ground, instrument: Instrument, order: Any, supposed: Decimal | None) -> tuple[Decimal | None, str]:
    if supposed is not None:
        return supposed, "as you supposed"
    if order is not None and order.estimate is not None:
        return order.estimate, "the estimate, at what a family would pay"
    return ground.usual_repair(instrument)
