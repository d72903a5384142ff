"""Reads about what arrived from a night."""

from dataclasses import dataclass
from typing import Any

from django.db.models import Case, Count, Prefetch, Q, QuerySet, Value, When

from rentals.agreements.models import AgreementUnit, NightSignUp
from rentals.counter.nights.intake.keeping import open_envelope
from rentals.inventory.models import CatalogueItem, Instrument
from rentals.runtime.templatetags.office import money
from schools.models import Night


@dataclass(frozen=True)
class Arrivals:
    """How many sign-ups of a night ended how, and how many families still wait for an instrument."""

    arrived: int
    attention: int
    discarded: int
    without_unit: int


def count_arrivals(night: Night) -> Arrivals:
    """Count a night's sign-ups; one query."""
    states = {state: Count("pk", filter=Q(state=state)) for state in NightSignUp.State.values}
    waiting = Count("pk", filter=Q(agreement__promise__isnull=False, agreement__promise__settled_at=None))
    return Arrivals(**NightSignUp.objects.filter(night=night).aggregate(**states, without_unit=waiting))


def list_sign_ups(night: Night, state: str = "") -> QuerySet[NightSignUp]:
    """List what arrived from a night, what needs attention first, then the newest; without what is sealed."""
    units = AgreementUnit.objects.filter(ended_at=None, role="rented").select_related("instrument")
    rows = NightSignUp.objects.filter(night=night).defer("sealed")
    if state:
        rows = rows.filter(state=state)
    first = Case(When(state=NightSignUp.State.ATTENTION, then=Value(0)), default=Value(1))
    return (
        rows.select_related(
            "sent_by", "taken_by", "resolved_by", "agreement__household", "agreement__item__kind", "agreement__promise"
        )
        .prefetch_related(Prefetch("agreement__units", queryset=units, to_attr="open_units"))
        .order_by(first, "-received_at", "pk")
    )


@dataclass(frozen=True)
class Told:
    """What a tablet sent, as a person reads it: facts in rows, the text as shown, the signature, what was paid."""

    is_new: bool
    family: dict[str, Any]
    guardian: dict[str, Any]
    student: str
    model: str
    tag: str
    due_today: str
    paid: str
    signature: dict[str, Any]
    text: list[dict[str, Any]]


def read_told(row: NightSignUp) -> Told | None:
    """Open what was sent; None once it is gone. Two queries."""
    raw = open_envelope(row)
    if raw is None:
        return None
    item = CatalogueItem.objects.select_related("kind").filter(pk=raw["item"]).first()
    unit = Instrument.objects.filter(pk=raw["instrument"]).first() if raw["instrument"] else None
    pay, child, is_new = raw["payment"], raw["student"], "id" not in raw["household"]
    ways = {"cash": "in cash", "cheque": f"by check {pay.get('cheque_number', '')}"}
    unpaid = "Nothing yet: by card or bank account afterwards" if pay["method"] == "later" else "Nothing yet"
    return Told(
        is_new=is_new,
        family=raw["household"],
        guardian=raw["guardian"],
        student=f"{child.get('given_name', '')} {child.get('family_name', '')}".strip() or "A student written down already",
        model=f"{item.kind.name}: {item}" if item else "A model that is not in the catalogue any more",
        tag=unit.asset_tag if unit else "",
        due_today=money(raw["shown"]["due_today"]),
        paid=f"{money(pay['amount'])} {ways[pay['method']]}" if pay["method"] in ways else unpaid,
        signature=raw["signature"],
        text=raw["shown"]["text"],
    )
