"""The board: every open work order in its column, read from two metres. No name but a student's initials."""

import datetime
from dataclasses import dataclass

from django.utils import timezone

from rentals.agreements.models import AgreementUnit
from rentals.inventory import work_queries, work_rules
from rentals.inventory.models import WorkOrder
from rentals.runtime.templatetags.office import day

MOST = 400
SLOW_DAYS, TOO_LONG_DAYS = 7, 14
"""From these ages on an order is marked: common practice, no source."""
COLUMNS = {
    work_rules.LOOK: "To look at",
    work_rules.BENCH: "On the bench",
    work_rules.FAMILY: "Family’s answer",
    work_rules.PARTS: "Parts",
    work_rules.CHECK: "Quality check",
    work_rules.READY: "Ready",
}
"""Short enough for the head of a column that is read from across the workshop."""
NOBODY = "nobody"


@dataclass(frozen=True)
class Card:
    """One order on the board."""

    order: WorkOrder
    place: str
    days: int
    initials: str
    loaner: str
    today: datetime.date

    @property
    def age(self) -> tuple[str, str]:
        """How old the order is, in words and a tone."""
        words = "Today" if self.days <= 0 else "1 day" if self.days == 1 else f"{self.days} days"
        return words, "bad" if self.days >= TOO_LONG_DAYS else "warn" if self.days >= SLOW_DAYS else "info"

    @property
    def age_note(self) -> str:
        """What the tone of the age says, in a word."""
        return {"bad": "too long", "warn": "slow"}.get(self.age[1], "")

    @property
    def promised(self) -> tuple[str, str] | None:
        """For when it is promised, in words and a tone; None when it is not."""
        on = self.order.promised_on
        if on is None:
            return None
        if on < self.today:
            return f"Promised {day(on, 'short')}: late", "bad"
        return (f"Promised {day(on, 'short')}: today", "warn") if on == self.today else (f"Promised {day(on, 'short')}", "quiet")

    @property
    def waits_for(self) -> str:
        """Whom it waits for, where that is not the bench itself."""
        waits = {work_rules.FAMILY: "The family answers", work_rules.PARTS: "The supplier delivers"}
        if self.order.state == work_rules.READY:
            return "The family fetches it" if self.initials else "The shelf"
        return waits.get(self.order.state, "")


@dataclass(frozen=True)
class Column:
    """A state and its orders, the oldest first."""

    state: str
    name: str
    cards: list[Card]


def list_columns(*, today: datetime.date, location: str = "", technician: str = "") -> list[Column]:
    """Return the open orders by state, of one shop's code and of one technician (an id, or "nobody") or of all; two queries."""
    orders = work_queries.list_open_orders().order_by("opened_at", "pk")
    if location:
        orders = orders.filter(instrument__custodies__location=location)
    if technician == NOBODY:
        orders = orders.filter(assigned_to=None)
    elif technician.isdecimal() and len(technician) < 10:
        orders = orders.filter(assigned_to=int(technician))
    found = list(orders[:MOST])
    people = _holders([order.instrument_id for order in found])
    columns: dict[str, list[Card]] = {state: [] for state in COLUMNS}
    for order in found:
        initials, loaner = people.get(order.instrument_id, ("", ""))
        age = (today - timezone.localdate(order.opened_at)).days
        columns[order.state].append(Card(order, order.place_name or "", age, initials, loaner, today))  # type: ignore[attr-defined]
    return [Column(state, name, columns[state]) for state, name in COLUMNS.items()]


def _holders(units: list[int]) -> dict[int, tuple[str, str]]:
    """Return the initials of who rents each of these, and the tag of the loaner out meanwhile."""
    on = AgreementUnit.objects.filter(
        ended_at=None, agreement__units__instrument__in=units, agreement__units__ended_at=None
    ).select_related("instrument", "agreement__student")
    rows = list(on.distinct())
    loaners = {row.agreement_id: row.instrument.asset_tag for row in rows if row.role == AgreementUnit.Role.LOANER}
    return {
        row.instrument_id: (
            row.agreement.student.initials,
            loaners.get(row.agreement_id, "") if row.role == AgreementUnit.Role.RENTED else "",
        )
        for row in rows
    }
