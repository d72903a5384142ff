"""The receipt of a payment: a small document, made once and kept as it was given out."""

import datetime

from django.db import transaction
from django.utils import translation
from django.utils.translation import gettext

from billing import queries
from billing.models import Allocation, Payment
from rentals.documents import operations as documents
from rentals.documents.models import Document
from rentals.documents.pages import PriceLine, ReceiptPage
from rentals.documents.words import in_language
from rentals.families.letters import receiver_of
from rentals.runtime.money import ZERO


class NoReceiptForReturnedPaymentError(Exception):
    """The payment came back or was voided, so nothing was received."""

    def __init__(self, payment: Payment, *, is_void: bool = False) -> None:
        what = "is void" if is_void else "came back from the bank"
        super().__init__(f"Payment {payment.number} {what}, so there is no receipt for it.")
        self.payment = payment


@transaction.atomic
def ask_for_receipt(*, payment: Payment, now: datetime.datetime) -> Document:
    """Ask for the receipt of a payment: what it paid for and what is owed, as it stands now. Asked again, the first one stays.

    Raises NoReceiptForReturnedPaymentError.
    """
    in_force = Allocation.objects.filter(payment=payment, released_at=None).select_related("line__charge__agreement")
    shown = queries.payment_on_account(payment, list(in_force.order_by("line__charge__due_on", "id")))
    if shown.is_returned:
        raise NoReceiptForReturnedPaymentError(payment, is_void=shown.is_void)
    household = payment.household
    with translation.override(household.language):
        title = gettext("Receipt %s") % payment.number
        how = in_language(payment.get_method_display())
        paid_for = tuple(PriceLine(in_language(each.description), each.amount) for each in shown.allocations)
    page = ReceiptPage(
        number=payment.number,
        addressee=receiver_of(household).addressee,
        received_on=payment.received_on,
        method=" ".join(part for part in (how, payment.cheque_number) if part),
        amount=payment.amount,
        paid_for=paid_for,
        kept_on_account=payment.amount - sum((line.amount for line in paid_for), ZERO),
        balance=queries.sum_balance(household.pk),
        taken_by=payment.taken_by.name,
        credited=queries.sum_credited(household.pk),
    )
    return documents.ask_for_document(
        key=f"payment/{payment.pk}/receipt",
        kind="receipt",
        about=f"payment/{payment.pk}",
        title=title,
        page=page,
        language=household.language,
        now=now,
    )
