"""A household's account as the books know it: charges and what is open, payments and what they paid, credit notes, movements."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection
from django.db.models import Sum

from billing import chart
from billing.models import Allocation, Charge, CreditNote, Payment, PaymentReturn
from billing.rental_credit import RentalCredit, sum_rental_credits
from rentals.agreements.models import Agreement
from rentals.runtime.money import ZERO


@dataclass(frozen=True)
class LineOnAccount:
    """One line of a charge, with what was paid of it and what is open."""

    id: int
    kind: str
    is_tax: bool
    description: str
    tax_rate: Decimal | None
    amount: Decimal
    paid: Decimal

    @property
    def open(self) -> Decimal:
        """What is still to be paid of this line."""
        return self.amount - self.paid


@dataclass(frozen=True)
class ChargeOnAccount:
    """A charge with its lines. A voided one counts for nothing."""

    id: int
    kind: str
    title: str
    agreement_id: int | None
    agreement_number: str
    due_on: datetime.date
    period_begins_on: datetime.date | None
    period_ends_on: datetime.date | None
    is_void: bool
    void_reason: str
    lines: tuple[LineOnAccount, ...]

    @property
    def amount(self) -> Decimal:
        """All lines together."""
        return sum((line.amount for line in self.lines), ZERO)

    @property
    def open(self) -> Decimal:
        """What is still to be paid; nothing of a voided charge."""
        return ZERO if self.is_void else sum((line.open for line in self.lines), ZERO)

    @property
    def paid(self) -> Decimal:
        """What was paid of it."""
        return sum((line.paid for line in self.lines), ZERO)


@dataclass(frozen=True)
class AllocationOnAccount:
    """So much of a payment that paid a line, in the words a family reads."""

    charge_id: int
    description: str
    due_on: datetime.date
    amount: Decimal


@dataclass(frozen=True)
class PaymentOnAccount:
    """A payment with what it paid for. A returned one counts for nothing."""

    id: int
    number: str
    method: str
    cheque_number: str
    amount: Decimal
    received_on: datetime.date
    returned_on: datetime.date | None
    return_reason: str
    deposit_number: str
    allocations: tuple[AllocationOnAccount, ...]
    is_void: bool = False
    returned_as: str = ""

    @property
    def is_returned(self) -> bool:
        """Whether the bank sent it back, or it was voided."""
        return self.returned_on is not None

    @property
    def by_due_day(self) -> list[tuple[datetime.date, Decimal]]:
        """What it paid, summed by due date, the oldest first."""
        days: dict[datetime.date, Decimal] = {}
        for each in self.allocations:
            days[each.due_on] = days.get(each.due_on, ZERO) + each.amount
        return sorted(days.items())

    @property
    def unused(self) -> Decimal:
        """What it has not paid for: money on account."""
        return ZERO if self.is_returned else self.amount - sum((a.amount for a in self.allocations), ZERO)


@dataclass(frozen=True)
class CreditNoteOnAccount:
    """A credit note with what it pays. A voided one counts for nothing."""

    id: int
    number: str
    is_write_off: bool
    amount: Decimal
    credited_on: datetime.date
    reason: str
    is_void: bool
    allocations: tuple[AllocationOnAccount, ...]

    @property
    def unused(self) -> Decimal:
        """What it has not paid for."""
        return ZERO if self.is_void else self.amount - sum((a.amount for a in self.allocations), ZERO)


@dataclass(frozen=True)
class Movement:
    """One line of the account in the order of the books: debit positive, with the balance after it."""

    entry_id: int
    entry_on: datetime.date
    memo: str
    kind: str
    amount: Decimal
    balance: Decimal


@dataclass(frozen=True)
class HouseholdAccount:
    """Everything the books know of one household, newest first."""

    household_id: int
    balance: Decimal
    unapplied: Decimal
    overdue: Decimal
    overdue_since: datetime.date | None
    charges: tuple[ChargeOnAccount, ...]
    payments: tuple[PaymentOnAccount, ...]
    credit_notes: tuple[CreditNoteOnAccount, ...]
    movements: tuple[Movement, ...]
    credit: dict[int, RentalCredit]

    @property
    def unused_credit(self) -> Decimal:
        """What the office credited and has not paid for anything yet."""
        return sum((note.unused for note in self.credit_notes), ZERO)

    @property
    def open(self) -> Decimal:
        """What is charged and not yet paid."""
        return sum((charge.open for charge in self.charges), ZERO)


def get_household_account(household_id: int, *, today: datetime.date) -> HouseholdAccount:
    """Return a household's account with running balance, in eight queries however long it is."""
    in_force = list(
        Allocation.objects.filter(line__charge__household_id=household_id, released_at=None)
        .select_related("line__charge")
        .order_by("id")
    )
    charges = tuple(_charges(household_id, in_force))
    payments = tuple(_payments(household_id, in_force))
    credit_notes = tuple(_credit_notes(household_id, in_force))
    movements = list_movements(household_id)
    late = [charge for charge in charges if charge.open and charge.due_on < today]
    return HouseholdAccount(
        household_id=household_id,
        balance=movements[0].balance if movements else ZERO,
        unapplied=sum((payment.unused for payment in payments), ZERO),
        overdue=sum((charge.open for charge in late), ZERO),
        overdue_since=min((charge.due_on for charge in late), default=None),
        charges=charges,
        payments=payments,
        credit_notes=credit_notes,
        movements=movements,
        credit=sum_rental_credits(Agreement.objects.filter(household_id=household_id), on=today),
    )


def _charges(household_id: int, in_force: Sequence[Allocation]) -> list[ChargeOnAccount]:
    paid: dict[int, Decimal] = {}
    for each in in_force:
        paid[each.line_id] = paid.get(each.line_id, ZERO) + each.amount
    rows = (
        Charge.objects.filter(household_id=household_id)
        .select_related("agreement", "void_entry")
        .prefetch_related("lines")
        .order_by("-due_on", "-id")
    )
    return [_charge(charge, paid) for charge in rows]


def _charge(charge: Charge, paid: dict[int, Decimal]) -> ChargeOnAccount:
    lines = sorted(charge.lines.all(), key=lambda line: line.position)
    agreement = charge.agreement
    return ChargeOnAccount(
        id=charge.pk,
        kind=charge.kind,
        title=charge.get_kind_display() if charge.kind != Charge.Kind.FEE else lines[0].description,
        agreement_id=charge.agreement_id,
        agreement_number=agreement.number if agreement else "",
        due_on=charge.due_on,
        period_begins_on=charge.period_begins_on,
        period_ends_on=charge.period_ends_on,
        is_void=charge.void_entry_id is not None,
        void_reason=charge.void_entry.memo.partition(" undone: ")[2] if charge.void_entry else "",
        lines=tuple(
            LineOnAccount(
                id=line.pk,
                kind=line.kind,
                is_tax=line.is_tax,
                description=line.description,
                tax_rate=line.tax_rate,
                amount=line.amount,
                paid=paid.get(line.pk, ZERO),
            )
            for line in lines
        ),
    )


def charge_on_account(charge: Charge) -> ChargeOnAccount:
    """Put one charge, its lines and what was paid of them into words."""
    in_force = Allocation.objects.filter(line__charge=charge, released_at=None)
    paid = in_force.order_by().values_list("line_id").annotate(sum=Sum("amount"))
    return _charge(charge, dict(paid))


def _payments(household_id: int, in_force: Sequence[Allocation]) -> list[PaymentOnAccount]:
    rows = Payment.objects.filter(household_id=household_id).select_related("payment_return", "deposit")
    return [
        payment_on_account(row, [each for each in in_force if each.payment_id == row.pk])
        for row in rows.order_by("-received_on", "-id")
    ]


def payment_on_account(payment: Payment, allocations: Sequence[Allocation]) -> PaymentOnAccount:
    """Put a payment and its allocations in force into words."""
    returned = getattr(payment, "payment_return", None)
    return PaymentOnAccount(
        id=payment.pk,
        number=payment.number,
        method=payment.get_method_display(),
        cheque_number=payment.cheque_number,
        amount=payment.amount,
        received_on=payment.received_on,
        returned_on=returned.returned_on if returned else None,
        return_reason=returned.reason if returned else "",
        deposit_number=payment.deposit.number if payment.deposit else "",
        allocations=tuple(
            AllocationOnAccount(a.line.charge_id, a.line.description, a.line.charge.due_on, a.amount) for a in allocations
        ),
        is_void=returned is not None and returned.kind != PaymentReturn.Kind.BANK,
        returned_as=returned.get_kind_display() if returned else "",
    )


def _credit_notes(household_id: int, in_force: Sequence[Allocation]) -> list[CreditNoteOnAccount]:
    rows = CreditNote.objects.filter(household_id=household_id).order_by("-credited_on", "-id")
    return [credit_note_on_account(row, [each for each in in_force if each.credit_note_id == row.pk]) for row in rows]


def credit_note_on_account(note: CreditNote, allocations: Sequence[Allocation]) -> CreditNoteOnAccount:
    """Put a credit note and its allocations in force into words."""
    return CreditNoteOnAccount(
        id=note.pk,
        number=note.number,
        is_write_off=note.kind == CreditNote.Kind.WRITE_OFF,
        amount=note.amount,
        credited_on=note.credited_on,
        reason=note.reason,
        is_void=note.void_entry_id is not None,
        allocations=tuple(
            AllocationOnAccount(a.line.charge_id, a.line.description, a.line.charge.due_on, a.amount) for a in allocations
        ),
    )


MOVEMENTS = """
SELECT e.id, e.entry_on, e.memo, e.kind, p.amount, sum(p.amount) OVER (ORDER BY e.entry_on, e.id, p.id)
  FROM billing_posting p JOIN billing_journalentry e ON e.id = p.entry_id
 WHERE p.household_id = %s AND p.account_id = %s ORDER BY e.entry_on DESC, e.id DESC, p.id DESC LIMIT %s
"""


def list_movements(household_id: int, count: int | None = None) -> tuple[Movement, ...]:
    """List what moved a household's balance, with the balance after each, newest first: all of it or so many lines."""
    with connection.cursor() as cursor:
        cursor.execute(MOVEMENTS, [household_id, chart.RECEIVABLES, count])
        return tuple(Movement(*row) for row in cursor.fetchall())
