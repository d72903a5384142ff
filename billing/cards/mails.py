"""The receipt of a card payment by mail: once, by the attempt it belongs to."""

import datetime

from django.template.loader import render_to_string
from django.utils import translation
from django.utils.translation import gettext

from billing.models import CardAttempt
from billing.receipts import ask_for_receipt
from rentals.documents import operations as documents
from rentals.documents.models import OutboxMessage
from rentals.documents.queries import get_letterhead
from rentals.families.letters import receiver_of


def send_receipt(*, attempt: CardAttempt, now: datetime.datetime) -> OutboxMessage | None:
    """Put the receipt into the outbox, where the family has a mail address; on paper where it chose paper.

    Part of the transaction that took the payment.
    """
    household, payment = attempt.household, attempt.payment
    receiver = receiver_of(household)
    if payment is None or receiver.guardian is None or not receiver.guardian.email:
        return None
    document = ask_for_receipt(payment=payment, now=now)
    with translation.override(household.language):
        subject = gettext("Receipt %s") % payment.number
        body = render_to_string("documents/card_receipt.txt", {"payment": payment, "office": get_letterhead()})
    return documents.queue_message(
        key=f"card/{attempt.key}/receipt",
        kind="receipt",
        about=f"payment/{payment.pk}",
        household=household,
        guardian=receiver.guardian,
        channel=receiver.channel,
        language=household.language,
        to_name=receiver.name,
        to_address=receiver.email or "\n".join(receiver.addressee.lines),
        subject=subject,
        body=body,
        document=document,
        acting_user=attempt.started_by,
        now=now,
    )
