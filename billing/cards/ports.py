"""What the office asks of a card processor, in its own words; `processors` holds those who answer. No card data in either way."""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Protocol
from uuid import UUID


class ProcessorSilentError(Exception):
    """No clear answer: a timeout, a lost line, an error on their side. What was asked may have been done."""


class ProcessorRefusedError(Exception):
    """The processor said no, and did nothing. `str()` is fit for a person to read."""


class EventRefusedError(Exception):
    """A message is not the processor's: unsigned, wrongly signed, too old, or no message at all."""


class Told(StrEnum):
    """How an attempt stands by the processor's word."""

    OPEN = "open"
    PAID = "paid"
    FAILED = "failed"
    EXPIRED = "expired"
    MISSING = "missing"
    SILENT = "silent"


@dataclass(frozen=True)
class PageAsked:
    """A page to pay on. `key` makes it one charge however often it is asked; `expires_at`: no payment on it after that.

    `lines` say what is paid, in words that name no child and no instrument; they add up to `amount`. Without them the page names
    the account alone.
    """

    key: UUID
    amount: Decimal
    currency: str
    reference: str
    return_url: str
    expires_at: datetime.datetime
    lines: tuple[tuple[str, Decimal], ...] = ()


@dataclass(frozen=True)
class Page:
    """The page as the processor made it: its name for it, and where the family finds it."""

    session: str
    url: str


@dataclass(frozen=True)
class Outcome:
    """What the processor says of an attempt. `charge`: its name of the payment, `url`: of the page, "" while there is none."""

    told: Told
    session: str = ""
    charge: str = ""
    amount: Decimal | None = None
    note: str = ""
    url: str = ""


@dataclass(frozen=True)
class EventTold:
    """One message of the processor, what matters of it; `kind` is one of CardEvent.Kind."""

    event_id: str
    kind: str
    happened_at: datetime.datetime
    attempt_key: UUID | None = None
    session: str = ""
    charge: str = ""
    reference: str = ""
    amount: Decimal | None = None
    note: str = ""


@dataclass(frozen=True)
class RefundAsked:
    """So much of a charge back to its card, under a key that makes it once."""

    key: UUID
    charge: str
    amount: Decimal
    currency: str
    asked_at: datetime.datetime


@dataclass(frozen=True)
class PayoutLine:
    """One part of a payout. kind: payment, refund, dispute, fee, other; `amount` before `fee`, money in positive."""

    kind: str
    reference: str
    amount: Decimal
    fee: Decimal


@dataclass(frozen=True)
class PayoutTold:
    """Money sent to the bank: `amount` is what arrives there."""

    reference: str
    arrives_on: datetime.date
    amount: Decimal
    currency: str
    lines: tuple[PayoutLine, ...]


class PaymentProcessor(Protocol):
    """A card processor. Every call may raise ProcessorSilentError; those that ask for something, ProcessorRefusedError."""

    code: str
    name: str
    is_practice: bool

    def start(self, asked: PageAsked) -> Page:
        """Make the page for an attempt; the same key gives the same page."""

    def look_up(self, *, key: UUID, session: str, started_at: datetime.datetime) -> Outcome:
        """Say how the attempt stands; `session` is "" where the answer to `start` was lost."""

    def close(self, *, key: UUID, session: str) -> None:
        """Let nobody pay on the page any more; what was paid on it stays paid."""

    def refund(self, asked: RefundAsked) -> str:
        """Give money back to the card and return the refund's name; the same key gives it once."""

    def read_event(self, body: bytes, signature: str) -> EventTold:
        """Check the signature on the raw bytes and read the message. Raises EventRefusedError."""

    def list_payouts(self, since: datetime.date) -> list[PayoutTold]:
        """List the payouts that arrived at the bank on that day or later."""

    def is_page(self, url: str) -> bool:
        """Tell whether an address is one of its own pages: nobody is sent anywhere else."""
