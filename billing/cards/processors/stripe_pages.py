"""The official `stripe` library behind our port: its hosted Checkout page, signed webhooks, refunds, payouts.

Written against the published API reference (docs.stripe.com/api: Checkout Sessions, Refunds, Payouts, Balance Transactions,
Events; docs.stripe.com/webhooks: signatures). Of what it answers we keep names, amounts and states; never anything of a card.
"""

import datetime
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

import stripe

from billing.cards.ports import (
    EventRefusedError,
    EventTold,
    Outcome,
    Page,
    PageAsked,
    PayoutLine,
    PayoutTold,
    ProcessorRefusedError,
    ProcessorSilentError,
    RefundAsked,
    Told,
)

TOLERANCE = 300
"""Seconds a message may be old: the library's own default."""
SECONDS = 15
"""We wait so long for an answer; what is not answered is unknown, not failed."""
PAGES = {"https://checkout.stripe.com"}
AROUND = datetime.timedelta(minutes=10)
"""A page whose name was lost is looked for among those made so long around its start."""


class StripePages:
    """Checkout in payment mode: the family types its card on their page, never on ours."""

    code = "stripe"
    name = "Stripe"
    is_practice = False

    def __init__(self, *, key: str, webhook_secret: str, api: str = "", seconds: float = SECONDS) -> None:
        self._secret = webhook_secret
        self._pages = PAGES | ({api} if api else set())
        client = stripe.RequestsClient(timeout=seconds)
        addresses: Any = {"api": api} if api else {}
        self._api = stripe.StripeClient(key, http_client=client, base_addresses=addresses, max_network_retries=0).v1

    def start(self, asked: PageAsked) -> Page:
        """Make a Checkout session; the idempotency key is the attempt's."""
        known = {"attempt": str(asked.key)}
        lines = asked.lines or ((asked.reference, asked.amount),)
        wanted: Any = {
            "mode": "payment",
            "payment_method_types": ["card"],
            "client_reference_id": str(asked.key),
            "line_items": [{"price_data": _price(*line, asked.currency), "quantity": 1} for line in lines],
            "metadata": known,
            "payment_intent_data": {"metadata": known, "description": asked.reference},
            "success_url": asked.return_url,
            "cancel_url": asked.return_url,
            "expires_at": int(asked.expires_at.timestamp()),
        }
        with _answering():
            made = self._api.checkout.sessions.create(wanted, {"idempotency_key": f"page-{asked.key}"})
        return Page(made.id, made.url or "")

    def look_up(self, *, key: UUID, session: str, started_at: datetime.datetime) -> Outcome:
        """Ask for the session, by its name or among those made around the attempt's start."""
        with _answering():
            if session:
                return _outcome(self._api.checkout.sessions.retrieve(session))
            begin, end = (int((started_at + by).timestamp()) for by in (-AROUND, AROUND))
            listed = self._api.checkout.sessions.list({"created": {"gte": begin, "lte": end}, "limit": 100})
            for each in listed.auto_paging_iter():
                if each.client_reference_id == str(key):
                    return _outcome(each)
        return Outcome(Told.MISSING)

    def close(self, *, key: UUID, session: str) -> None:
        """Expire the session; one that is complete cannot be, and says so when it is asked for."""
        with _answering():
            self._api.checkout.sessions.expire(session)

    def refund(self, asked: RefundAsked) -> str:
        """Refund once: one made before under our key is found by its metadata, whenever that was."""
        with _answering():
            for each in self._api.refunds.list({"payment_intent": asked.charge, "limit": 100}).auto_paging_iter():
                if _dict(each.metadata).get("refund") == str(asked.key):
                    return _standing(each)
            wanted: Any = {"payment_intent": asked.charge, "amount": _cents(asked.amount), "metadata": {"refund": str(asked.key)}}
            return _standing(self._api.refunds.create(wanted, {"idempotency_key": f"refund-{asked.key}"}))

    def read_event(self, body: bytes, signature: str) -> EventTold:
        """Check the signature over the raw body, not older than five minutes, and read what matters."""
        try:
            event = stripe.Webhook.construct_event(body, signature, self._secret, tolerance=TOLERANCE).to_dict()
            return _told(event)
        except (stripe.SignatureVerificationError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise EventRefusedError("This message is not signed by the processor, too old, or cannot be read.") from error

    def list_payouts(self, since: datetime.date) -> list[PayoutTold]:
        """List what was paid out, each with the balance transactions that it is made of."""
        begin = int(datetime.datetime.combine(since, datetime.time(), datetime.UTC).timestamp())
        with _answering():
            payouts = self._api.payouts.list({"arrival_date": {"gte": begin}, "status": "paid", "limit": 100})
            return [self._payout(each) for each in payouts.auto_paging_iter()]

    def _payout(self, payout: Any) -> PayoutTold:
        made_of = self._api.balance_transactions.list({"payout": payout.id, "limit": 100, "expand": ["data.source"]})
        lines = tuple(_line(each) for each in made_of.auto_paging_iter() if each.type != "payout")
        arrives_on = datetime.datetime.fromtimestamp(payout.arrival_date, datetime.UTC).date()
        return PayoutTold(payout.id, arrives_on, _money(payout.amount), payout.currency.upper(), lines)

    def is_page(self, url: str) -> bool:
        """Only https pages of Checkout."""
        parts = urlsplit(url)
        return f"{parts.scheme}://{parts.netloc}" in self._pages


@contextmanager
def _answering() -> Iterator[None]:
    """Tell a clear no from no clear answer. Their messages are not passed on: they may quote what was sent."""
    try:
        yield
    except (stripe.InvalidRequestError, stripe.CardError) as error:
        raise ProcessorRefusedError(f"The card processor refused: {error.code or 'the request is not valid'}.") from error
    except (stripe.AuthenticationError, stripe.PermissionError) as error:
        raise ProcessorRefusedError("The card processor does not accept this office’s key. Tell the administrator.") from error
    except stripe.StripeError as error:
        raise ProcessorSilentError("The card processor gave no clear answer.") from error


def _price(words: str, amount: Decimal, currency: str) -> dict[str, Any]:
    return {"currency": currency.lower(), "unit_amount": _cents(amount), "product_data": {"name": words}}


def _cents(amount: Decimal) -> int:
    return int(amount * 100)


def _money(cents: int | None) -> Decimal:
    return Decimal(cents or 0) / 100


def _name(thing: Any) -> str:
    """The name of a thing that may be given in whole."""
    return "" if not thing else thing if isinstance(thing, str) else str(thing["id"])


def _outcome(session: Any) -> Outcome:
    """`status` is open, complete or expired; complete is paid only when `payment_status` says so."""
    told = {"open": Told.OPEN, "expired": Told.EXPIRED}.get(session.status, Told.OPEN)
    if session.status == "complete" and session.payment_status in {"paid", "no_payment_required"}:
        told = Told.PAID
    return Outcome(told, session.id, _name(session.payment_intent), _money(session.amount_total), url=session.url or "")


def _dict(thing: Any) -> dict[str, Any]:
    """A thing of the library, or nothing, as a dictionary."""
    return dict(thing.to_dict()) if thing else {}


def _standing(refund: Any) -> str:
    if refund.status in {"failed", "canceled"}:
        raise ProcessorRefusedError("The card’s bank did not take the money back.")
    return str(refund.id)


def _key(metadata: Any) -> UUID | None:
    try:
        return UUID((metadata or {}).get("attempt", ""))
    except ValueError:
        return None


def _told(event: dict[str, Any]) -> EventTold:
    about, read = event["data"]["object"], READERS.get(event["type"])
    kind, fields = read(about) if read else ("other", {})
    happened_at = datetime.datetime.fromtimestamp(event["created"], datetime.UTC)
    return EventTold(event_id=event["id"], kind=kind, happened_at=happened_at, **fields)


def _session(kind: str) -> Callable[[dict[str, Any]], tuple[str, dict[str, Any]]]:
    def read(about: dict[str, Any]) -> tuple[str, dict[str, Any]]:
        is_paid = about.get("payment_status") == "paid"
        fields = {
            "attempt_key": _key(about.get("metadata")),
            "session": about["id"],
            "charge": _name(about.get("payment_intent")),
        }
        fields["amount"] = _money(about.get("amount_total"))
        return ("other" if kind == "paid" and not is_paid else kind), fields

    return read


def _declined(about: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    why = (about.get("last_payment_error") or {}).get("decline_code") or "declined"
    return "declined", {"attempt_key": _key(about.get("metadata")), "charge": about["id"], "note": str(why)[:200]}


def _dispute(kind: str) -> Callable[[dict[str, Any]], tuple[str, dict[str, Any]]]:
    def read(about: dict[str, Any]) -> tuple[str, dict[str, Any]]:
        fields = {"charge": _name(about.get("payment_intent")), "reference": about["id"], "amount": _money(about.get("amount"))}
        return kind, fields | {"note": str(about.get("reason") or "")[:200]}

    return read


def _refund(about: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    kind = {"failed": "refund_failed", "canceled": "refund_failed", "succeeded": "refunded"}.get(about.get("status", ""), "other")
    fields = {"charge": _name(about.get("payment_intent")), "reference": about["id"], "amount": _money(about.get("amount"))}
    return kind, fields


def _paid_out(about: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    return "payout", {"reference": about["id"], "amount": _money(about.get("amount"))}


READERS: dict[str, Callable[[dict[str, Any]], tuple[str, dict[str, Any]]]] = {
    "checkout.session.completed": _session("paid"),
    "checkout.session.async_payment_succeeded": _session("paid"),
    "checkout.session.async_payment_failed": _session("failed"),
    "checkout.session.expired": _session("expired"),
    "payment_intent.payment_failed": _declined,
    "charge.dispute.funds_withdrawn": _dispute("disputed"),
    "charge.dispute.funds_reinstated": _dispute("dispute_won"),
    "refund.created": _refund,
    "refund.updated": _refund,
    "refund.failed": _refund,
    "payout.paid": _paid_out,
}
"""Event types of the published API that mean something here; any other is kept as "other" and does nothing."""


def _line(part: Any) -> PayoutLine:
    """A balance transaction: what it is by its `type`, what it is about by its source."""
    source = part.source if not isinstance(part.source, str) else None
    amount, fee = _money(part.amount), _money(part.fee)
    if part.type in {"charge", "payment"}:
        return PayoutLine("payment", _name(getattr(source, "payment_intent", "")), amount, fee)
    if part.type in {"refund", "payment_refund"}:
        return PayoutLine("refund", _name(part.source), amount, fee)
    if part.type == "adjustment" and source is not None and source.object == "dispute":
        return PayoutLine("dispute", _name(source.payment_intent), amount, fee)
    if part.type == "stripe_fee":
        return PayoutLine("fee", part.id, amount, fee)
    return PayoutLine("other", f"{part.type} {part.id}", amount, fee)
