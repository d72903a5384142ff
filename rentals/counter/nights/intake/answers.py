"""What a tablet is told about a sign-up it sent."""

from typing import Any

from django.urls import reverse

from rentals.agreements.models import Agreement, NightSignUp
from rentals.counter.nights.intake.envelope import NotAnEnvelopeError


def answer_of(row: NightSignUp) -> dict[str, Any]:
    """Return what became of a sign-up that is kept here: "arrived", "arrived_without_unit", "attention" or "discarded"."""
    answer: dict[str, Any] = {"id": str(row.pk), "outcome": str(row.state)}
    if row.agreement is None:
        return {**answer, "why": row.discard_reason or row.why}
    answer |= {"agreement": row.agreement.number, "url": reverse("agreement", args=[row.agreement.pk])}
    if row.pays_later:
        answer["collect"] = collect_url(row.agreement)
    unit = row.agreement.units.filter(ended_at=None, role="rented").select_related("instrument").first()
    if unit is not None:
        return {**answer, "unit": unit.instrument.asset_tag}
    promise = getattr(row.agreement, "promise", None)
    if promise is None:
        return {**answer, "unit": ""}
    return {**answer, "outcome": "arrived_without_unit", "why": promise.why}


def collect_url(agreement: Agreement) -> str:
    """Return where what is due of an agreement is taken, by card unless something else is chosen there."""
    return f"{reverse('payment_take', args=[agreement.household_id])}?method=card"


def refusal_of(error: NotAnEnvelopeError, sign_up_id: object = None) -> dict[str, Any]:
    """Return why something is no sign-up, and where."""
    return {
        "id": sign_up_id if isinstance(sign_up_id, str) else None,
        "outcome": "refused",
        "why": error.why,
        "field": error.field,
    }
