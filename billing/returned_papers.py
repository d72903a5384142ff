"""The letter about a payment that the bank sent back: written with the return, once, in the family's language."""

import datetime

from django.db import transaction
from django.utils import timezone, translation
from django.utils.translation import gettext

from billing import payments, queries
from billing.accounts import title_of
from billing.letter_words import returned_code
from billing.models import Allocation, Charge, Payment, PaymentReturn
from rentals.documents.models import OutboxMessage
from rentals.documents.pages import OverdueItem, ReturnedPaymentPage
from rentals.families.letters import receiver_of, worded_letter, write_to_household
from rentals.runtime.money import ZERO
from rentals.staff.models import User

TOLD_OF = frozenset({Payment.Method.CHEQUE, Payment.Method.DEBIT})
"""What a family is told of; a card's payment that is taken back has a way of its own."""


@transaction.atomic
def return_and_tell(
    *, payment: Payment, reason: str, returned_on: datetime.date, acting_user: User, now: datetime.datetime, books: str = ""
) -> PaymentReturn:
    """Take back a payment that bounced and write to the family about it. As `payments.return_payment`, which it calls; outermost,
    or inside the match of a bank line.
    """
    returned = payments.return_payment(
        payment=payment, reason=reason, returned_on=returned_on, acting_user=acting_user, now=now, books=books
    )
    if payment.method in TOLD_OF:
        _tell(returned, acting_user=acting_user, now=now)
    return returned


def get_notice(returned: PaymentReturn) -> OutboxMessage | None:
    """Return what the family was written about this return, None when nothing was."""
    return OutboxMessage.objects.filter(key=_key(returned)).first()


def _key(returned: PaymentReturn) -> str:
    """Once a return: a payment that is taken as returned anew, after the first was undone, is told of anew."""
    return f"payment-return/{returned.pk}"


def _tell(returned: PaymentReturn, *, acting_user: User, now: datetime.datetime) -> OutboxMessage:
    payment = returned.of
    household = payment.household
    receiver, is_check = receiver_of(household), payment.method == Payment.Method.CHEQUE
    with translation.override(household.language):
        page = ReturnedPaymentPage(
            addressee=receiver.addressee,
            dated_on=timezone.localdate(now),
            number=payment.number,
            is_check=is_check,
            cheque_number=payment.cheque_number,
            amount=payment.amount,
            received_on=payment.received_on,
            reason=returned.reason,
            items=_had_paid(returned),
            balance=queries.sum_balance(household.pk),
        )
        letter = worded_letter(
            code=returned_code(is_check=is_check),
            household=household,
            key=_key(returned),
            kind="returned_payment",
            about=f"payment/{payment.pk}",
            title=gettext("Notice of a returned payment"),
            page=page,
        )
    return write_to_household(household=household, receiver=receiver, letter=letter, acting_user=acting_user, now=now)


def _had_paid(returned: PaymentReturn) -> tuple[OverdueItem, ...]:
    """Return what the payment had paid until it came back, charge by charge, the oldest due day first."""
    released = Allocation.objects.filter(payment=returned.of, released_at=returned.made_at)
    paid: dict[int, list[Allocation]] = {}
    for each in released.select_related("line"):
        paid.setdefault(each.line.charge_id, []).append(each)
    charges = Charge.objects.filter(pk__in=paid).select_related("agreement").prefetch_related("lines").order_by("due_on", "pk")
    return tuple(
        OverdueItem(charge.due_on, title_of(charge), sum((each.amount for each in paid[charge.pk]), ZERO)) for charge in charges
    )
