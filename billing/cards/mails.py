"""The receipt of a card payment by mail: once, by the attempt it belongs to."""

import datetime

from billing.models import CardAttempt
from billing.receipts import ask_for_receipt
from rentals.documents import operations as documents
from rentals.documents.models import OutboxMessage
from rentals.documents.wording.operations import word_letter
from rentals.documents.wording.written import page_of
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
    _, texts = word_letter("receipt", household.language, page_of(document))
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
        subject=texts.heading,
        body=texts.mail + "\n",
        document=document,
        acting_user=attempt.started_by,
        now=now,
    )
