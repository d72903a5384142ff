"""The practice processor: a page of our own that moves no money, for the demo and for development only.

It keeps its memory in two tables of its own and speaks as a real one does: signed messages, keys, payouts with fees.
"""

import datetime
import hashlib
import hmac
import json
from collections import defaultdict
from decimal import Decimal
from urllib.parse import urlsplit
from uuid import UUID

from django.conf import settings
from django.urls import reverse
from django.utils import timezone
from django.utils.crypto import salted_hmac

from billing.cards.ports import (
    EventRefusedError,
    EventTold,
    Outcome,
    Page,
    PageAsked,
    PayoutLine,
    PayoutTold,
    ProcessorRefusedError,
    RefundAsked,
    Told,
)
from billing.models import PracticeCharge, PracticeRefund
from rentals.runtime import clock
from rentals.runtime.money import ZERO, cents

TOLERANCE = datetime.timedelta(minutes=5)
RATE, EACH = Decimal("0.029"), Decimal("0.30")
"""An invented price of the kind processors commonly ask."""
ARRIVES_AFTER = datetime.timedelta(days=2)


class PracticeProcessor:
    """Pays whatever is pressed on its page."""

    code = "practice"
    name = "Practice processor"
    is_practice = True

    def start(self, asked: PageAsked) -> Page:
        """Remember what is asked; the page stands in this office itself."""
        defaults = {"amount": asked.amount, "return_url": asked.return_url, "made_at": clock.now()}
        PracticeCharge.objects.get_or_create(key=asked.key, defaults=defaults)
        return Page(f"practice-{asked.key}", reverse("practice_page", args=[asked.key]))

    def look_up(self, *, key: UUID, session: str, started_at: datetime.datetime) -> Outcome:
        """Say what was pressed."""
        charge = PracticeCharge.objects.filter(key=key).first()
        if charge is None:
            return Outcome(Told.MISSING)
        told = {"open": Told.OPEN, "paid": Told.PAID, "expired": Told.EXPIRED}[charge.state]
        named = f"charge-{key}" if told == Told.PAID else ""
        return Outcome(told, f"practice-{key}", named, charge.amount, url=reverse("practice_page", args=[key]))

    def close(self, *, key: UUID, session: str) -> None:
        """Take no money on the page any more."""
        PracticeCharge.objects.filter(key=key, state="open").update(state="expired")

    def refund(self, asked: RefundAsked) -> str:
        """Remember the refund, once by its key."""
        charge = PracticeCharge.objects.filter(key=asked.charge.removeprefix("charge-"), state="paid").first()
        if charge is None:
            raise ProcessorRefusedError("The practice processor knows no such payment.")
        PracticeRefund.objects.get_or_create(
            key=asked.key, defaults={"charge": charge, "amount": asked.amount, "made_at": clock.now()}
        )
        return f"refund-{asked.key}"

    def read_event(self, body: bytes, signature: str) -> EventTold:
        """Check the signature over time and body, as real processors have it checked."""
        parts = dict(part.partition("=")[::2] for part in signature.split(","))
        try:
            signed_at = datetime.datetime.fromtimestamp(int(parts["t"]), datetime.UTC)
        except (KeyError, ValueError, OverflowError, OSError) as error:
            raise EventRefusedError("This message is not signed.") from error
        if not hmac.compare_digest(parts.get("v1", ""), sign(body, int(parts["t"]))):
            raise EventRefusedError("This message is signed by somebody else.")
        if abs(clock.now() - signed_at) > TOLERANCE:
            raise EventRefusedError("This message is too old.")
        told = json.loads(body)
        key, amount = told.pop("attempt_key", None), told.pop("amount", None)
        happened_at = datetime.datetime.fromisoformat(told.pop("happened_at"))
        return EventTold(
            happened_at=happened_at, attempt_key=UUID(key) if key else None, amount=Decimal(amount) if amount else None, **told
        )

    def list_payouts(self, since: datetime.date) -> list[PayoutTold]:
        """Pay out each day's money two days later, less fees."""
        days: dict[datetime.date, list[PayoutLine]] = defaultdict(list)
        for charge in PracticeCharge.objects.filter(state="paid").order_by("pk"):
            line = PayoutLine("payment", f"charge-{charge.key}", charge.amount, cents(charge.amount * RATE + EACH))
            days[timezone.localdate(charge.paid_at)].append(line)
        for refund in PracticeRefund.objects.order_by("pk"):
            days[timezone.localdate(refund.made_at)].append(PayoutLine("refund", f"refund-{refund.key}", -refund.amount, ZERO))
        today = clock.today()
        told = []
        for day, lines in sorted(days.items()):
            arrives_on, amount = day + ARRIVES_AFTER, sum((each.amount - each.fee for each in lines), ZERO)
            if since <= arrives_on <= today and amount > 0:
                told.append(PayoutTold(f"practice-{day}", arrives_on, amount, settings.CURRENCY, tuple(lines)))
        return told

    def is_page(self, url: str) -> bool:
        """Only the page of this office."""
        parts = urlsplit(url)
        return not parts.scheme and not parts.netloc and url.startswith("/practice-card/")


def sign(body: bytes, at: int) -> str:
    """Return the signature of a message sent at this second."""
    key = salted_hmac("practice processor", "messages", algorithm="sha256").digest()
    return hmac.new(key, f"{at}.".encode() + body, hashlib.sha256).hexdigest()
