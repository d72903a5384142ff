"""Many payments at once: a day's transfers, a lockbox, a history taken over. The same rows as one by one, in a few statements."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction

from billing import allocation, chart, ledger
from billing.models import JournalEntry, Payment
from billing.payments import AmountNotPositiveError, ChequeNumberMissingError, account_of
from billing.taking.days import COUNTED, take_all_into
from rentals.families.models import Household
from rentals.runtime.locks import lock_rows
from rentals.staff.models import User
from rentals.staff.operations import take_numbers


@dataclass(frozen=True)
class PaymentTaken:
    """One payment of a batch; the cheque number only for cheques."""

    household_id: int
    method: str
    amount: Decimal
    received_on: datetime.date
    taken_at: datetime.datetime
    cheque_number: str = ""


@transaction.atomic
def record_payments(*, taken: Sequence[PaymentTaken], acting_user: User) -> list[Payment]:
    """Take all these payments or none, in their order, and apply them oldest due date first; return them numbered.

    Outermost. Raises AmountNotPositiveError, ChequeNumberMissingError, MonthClosedError, TakingClosedError,
    UnbalancedEntryError.
    """
    if not taken:
        return []
    for one in taken:
        if one.amount <= 0:
            raise AmountNotPositiveError
        if one.method == Payment.Method.CHEQUE and not one.cheque_number:
            raise ChequeNumberMissingError
    households = {row.pk: row for row in lock_rows(Household.objects.filter(pk__in={one.household_id for one in taken}))[0]}
    takings = take_all_into(moments=[one.taken_at for one in taken if one.method in COUNTED], person=acting_user)
    ids = ledger.next_ids(Payment, len(taken))
    lands_on = {method: account_of(method) for method in {one.method for one in taken}}
    methods = dict(Payment.Method.choices)
    entries = ledger.post_entries(
        drafts=[
            ledger.Draft(
                entry_on=one.received_on,
                kind=JournalEntry.Kind.PAYMENT,
                memo=f"{methods[Payment.Method(one.method)]} {one.cheque_number}".strip()
                + f" from {households[one.household_id].number}",
                source=f"payment/{key}",
                postings=[
                    ledger.Line(lands_on[one.method], one.amount),
                    ledger.Line(chart.RECEIVABLES, -one.amount, one.household_id),
                ],
                made_at=one.taken_at,
            )
            for key, one in zip(ids, taken, strict=True)
        ],
        acting_user=acting_user,
    )
    first = take_numbers("payment", len(taken))
    payments = [
        Payment(
            pk=key,
            number=f"P-{first + position:06}",
            household_id=one.household_id,
            method=one.method,
            cheque_number=one.cheque_number,
            amount=one.amount,
            received_on=one.received_on,
            entry=entry,
            taking_id=takings[one.taken_at] if one.method in COUNTED else None,
            taken_at=one.taken_at,
            taken_by=acting_user,
        )
        for position, (key, one, entry) in enumerate(zip(ids, taken, entries, strict=True))
    ]
    Payment.objects.bulk_create(payments)
    allocation.apply_credit(household_ids=sorted(households), now=max(one.taken_at for one in taken))
    return payments
