"""Families that pay by card or bank account after the evening: what each still owes of it."""

from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal

from billing import queries as books
from rentals.agreements.models import Agreement, NightSignUp
from rentals.runtime.money import ZERO
from schools.models import Night


@dataclass(frozen=True)
class ToCollect:
    """How many of a night's families pay afterwards, how many of them still owe something, and how much that is together."""

    families: int = 0
    unpaid: int = 0
    open: Decimal = ZERO


@dataclass(frozen=True)
class Owed:
    """One of these sign-ups with its agreement, and what is still open of the evening; nothing once it is paid."""

    sign_up: NightSignUp
    agreement: Agreement
    open: Decimal


def sum_to_collect(night: Night, agreement_ids: Collection[int]) -> ToCollect:
    """Count what the agreements whose families pay afterwards still owe; two queries, none where nobody does."""
    if not agreement_ids:
        return ToCollect()
    owed = books.sum_open_by_agreement(agreement_ids, due_through=night.on)
    return ToCollect(len(agreement_ids), len(owed), sum(owed.values(), ZERO))


def list_to_collect(night: Night) -> list[Owed]:
    """List a night's families that pay afterwards: who owes something first, then by the order they came in. Three queries."""
    rows = NightSignUp.objects.filter(night=night, pays_later=True, agreement__isnull=False).defer("sealed")
    found = [
        (row, row.agreement)
        for row in rows.select_related("taken_by", "agreement__household").order_by("received_at", "pk")
        if row.agreement is not None
    ]
    owed = books.sum_open_by_agreement([agreement.pk for _, agreement in found], due_through=night.on)
    listed = [Owed(row, agreement, owed.get(agreement.pk, ZERO)) for row, agreement in found]
    return sorted(listed, key=lambda each: not each.open)
