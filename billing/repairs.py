"""A repair that the family pays, charged to it when the instrument goes back. It is undone by voiding the charge."""

import datetime
from decimal import Decimal

from django.db import transaction
from django.db.models import QuerySet, Sum
from django.utils import timezone

from billing import charges
from billing.models import Charge, ChargeLine, RepairCharge
from rentals.agreements import queries as terms
from rentals.agreements.models import Agreement
from rentals.families.models import Household
from rentals.inventory import work_queries, work_rules
from rentals.inventory.models import Instrument, WorkLine, WorkOrder
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.staff.models import User

TAX_CAUTION = (
    "Whether the labour of a repair is taxed differs from state to state, and so does what counts as labour. "
    "The setting only says how this office taxes it."
)


class RepairChargedError(Exception):
    """The work was charged before."""

    def __init__(self, order: WorkOrder) -> None:
        self.order = order
        super().__init__(f"{order.number} was charged to the family already.")


@transaction.atomic
def charge_repair(*, order: WorkOrder, agreement: Agreement, acting_user: User, now: datetime.datetime) -> Charge | None:
    """Charge a repair to the household of the agreement, due today; None where nothing was repaired or it comes to nothing.

    Parts and labour stand on lines of their own, with the tax on goods of the agreement's area; labour is untaxed where the bench
    is set up so. Both together never come to more than the family agreed to. Inside the operation that hands the instrument back.
    Raises RepairChargedError.
    """
    lock_one(Household.objects.filter(pk=agreement.household_id))
    if RepairCharge.objects.filter(work_order=order).exists():
        raise RepairChargedError(order)
    if order.paid_by != WorkOrder.PaidBy.FAMILY or order.outcome != WorkOrder.Outcome.REPAIRED:
        return None
    today = timezone.localdate(now)
    lines = bill_lines(order, agreement, today)
    if not any(line.amount for line in lines):
        return None
    charge = Charge(household_id=agreement.household_id, agreement=agreement, kind=Charge.Kind.SALE, due_on=today)
    memo = f"Repair {order.number}"
    made = charges.write_charge(charge, lines, memo=memo, acting_user=acting_user, now=now)
    RepairCharge.objects.create(work_order=order, charge=made)
    return made


def list_uncharged(instrument: Instrument, *, since: datetime.datetime) -> QuerySet[WorkOrder]:
    """Return repairs that are done since a moment, that the family pays, and that were never charged, the oldest first."""
    found = WorkOrder.objects.filter(instrument=instrument, closed_at__gte=since, repair_charge=None)
    paid = found.filter(paid_by=WorkOrder.PaidBy.FAMILY, outcome=WorkOrder.Outcome.REPAIRED)
    return paid.select_related("instrument").order_by("closed_at", "pk")


def bill_lines(order: WorkOrder, agreement: Agreement, on: datetime.date) -> list[charges.Line]:
    """Return the lines that a repair would be charged with on a day, tax after what it taxes."""
    rates = terms.get_household_tax_rates(agreement.household_id, agreement.tax_area, on)
    rate = rates.get(ChargeLine.Kind.GOODS.value, ZERO)
    labour, parts = work_rules.split_bill(
        labour=_sum(order, WorkLine.Kind.LABOUR),
        parts=_sum(order, WorkLine.Kind.PART),
        most=work_queries.sum_family_pays(order),
    )
    what = f"Repair {order.number} of {order.instrument.asset_tag}"
    lines = charges.with_tax(ChargeLine.Kind.GOODS, f"{what}: parts", parts, rate) if parts else []
    if not labour:
        return lines
    if work_queries.get_bench_setting().tax_labour:
        return lines + charges.with_tax(ChargeLine.Kind.GOODS, f"{what}: labour", labour, rate)
    return [*lines, charges.Line(ChargeLine.Kind.FEE, f"{what}: labour", labour)]


def _sum(order: WorkOrder, kind: str) -> Decimal:
    return WorkLine.objects.filter(order=order, kind=kind).aggregate(total=Sum("price"))["total"] or ZERO
