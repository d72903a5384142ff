"""One sign-up as a tablet sends it, read into typed values. What cannot be read is refused with the field and a sentence."""

import datetime
import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.utils.dateparse import parse_datetime

from rentals.agreements.models import Signature
from rentals.families.forms import AddressFields, GuardianFields, NameField
from rentals.runtime.fields import StrokesField
from rentals.runtime.forms import OfficeForm

FORMAT = 1
LONGEST = 400_000
"""Bytes of one envelope: a text of some thousand words and a drawn signature have their place in it."""
MOST_GOODS = 40
UNPAID = ("none", "later")
SHA256 = re.compile(r"[0-9a-f]{64}")
MOST_MONEY = Decimal(100_000)


class NotAnEnvelopeError(Exception):
    """What came cannot be a sign-up at all; `field` says where, "" for the whole of it."""

    def __init__(self, why: str, field: str = "") -> None:
        self.why, self.field = why, field
        super().__init__(why)


class HouseholdFields(AddressFields):
    """A family's address, and the name it is filed under."""

    name = NameField(what="name the family is filed under", longest=120)


class StudentFields(OfficeForm):
    """A student that is not written down yet."""

    given_name = NameField(what="student's first name")
    family_name = NameField(what="student's last name")
    grade = forms.IntegerField(min_value=0, max_value=13, required=False)


class SignatureFields(OfficeForm):
    """A signature, drawn or typed."""

    signer_name = NameField(what="name of the guardian who signs", longest=120)
    method = forms.ChoiceField(choices=Signature.Method.choices)
    strokes = StrokesField()
    consent_version = forms.CharField(max_length=20)

    def clean(self) -> dict[str, Any]:
        """A drawn signature has strokes, a typed one none."""
        cleaned = super().clean() or {}
        if "method" in cleaned and (cleaned["method"] == "drawn") != bool(cleaned.get("strokes")):
            self.add_error("strokes", "A drawn signature comes with its strokes, a typed one without.")
        return cleaned


@dataclass(frozen=True)
class Shown:
    """What the family saw when it signed."""

    due_today: Decimal
    monthly: Decimal
    text_sha256: str
    text: tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True)
class Paid:
    """What the family paid: "cash", "cheque" or "none"; "later" is nothing now, and a card or bank account afterwards."""

    method: str
    amount: Decimal
    cheque_number: str

    @property
    def is_later(self) -> bool:
        """Whether the family pays by card or bank account afterwards."""
        return self.method == "later"


@dataclass(frozen=True)
class Envelope:
    """A whole sign-up. Of household, guardian and student either the id is given, or the fields of a new one."""

    id: UUID
    night: int
    device: UUID
    sequence: int
    made_at: datetime.datetime
    was_offline: bool
    pack: str
    taken_by: str
    language: str
    waiting: int | None
    home_form: str
    household: int | dict[str, Any]
    guardian: int | dict[str, Any]
    student: int | dict[str, Any]
    programme: int | None
    item: int
    is_new: bool
    instrument: int | None
    plan_version: int
    protection: bool
    goods: tuple[tuple[str, int], ...]
    shown: Shown
    signature: dict[str, str]
    signed_at: datetime.datetime
    payment: Paid
    raw: dict[str, Any]

    def fingerprint(self) -> dict[str, Any]:
        """What makes this the same sign-up, however often and by whichever way it is sent."""
        return {name: value for name, value in self.raw.items() if name not in {"was_offline", "sequence", "pack", "waiting"}}


def read_envelope(raw: Any) -> Envelope:
    """Read what was sent. Raises NotAnEnvelopeError."""
    if not isinstance(raw, dict):
        raise NotAnEnvelopeError("This is not a sign-up.")
    if raw.get("format") != FORMAT:
        raise NotAnEnvelopeError("This sign-up was made by another version of the tablet's pages: load them anew.", "format")
    take = _Taker(raw)
    household = take.known_or_new("household", HouseholdFields, also={"language": raw.get("language")})
    guardian = take.known_or_new("guardian", GuardianFields)
    if isinstance(household, dict) and not isinstance(guardian, dict):
        raise NotAnEnvelopeError("A new family comes with its guardian.", "guardian")
    student = take.known_or_new("student", StudentFields)
    if isinstance(household, dict) and not isinstance(student, dict):
        raise NotAnEnvelopeError("A new family comes with its student.", "student")
    signature = take.part("signature")
    return Envelope(
        id=take.uuid("id"),
        night=take.number("night"),
        device=take.uuid("device"),
        sequence=take.number("sequence", least=0),
        made_at=take.moment("made_at"),
        was_offline=take.flag("was_offline"),
        pack=take.text("pack", 16),
        taken_by=take.text("taken_by", 100, required=False),
        language=take.one_of("language", ("en", "es")),
        waiting=take.maybe("waiting", take.number),
        home_form=take.text("home_form", 12, required=False),
        household=household,
        guardian=guardian,
        student=student,
        programme=take.maybe("programme", take.number),
        item=take.number("item"),
        is_new=take.flag("is_new"),
        instrument=take.maybe("instrument", take.number),
        plan_version=take.number("plan_version"),
        protection=take.flag("protection"),
        goods=_goods(raw.get("goods", [])),
        shown=_shown(take.part("shown")),
        signature=_clean(SignatureFields, signature.raw, "signature"),
        signed_at=signature.moment("signed_at"),
        payment=_paid(take.part("payment")),
        raw=raw,
    )


class _Taker:
    """Takes one field after the other out of a part of an envelope."""

    def __init__(self, raw: dict[str, Any], within: str = "") -> None:
        self.raw, self.within = raw, within

    def refuse(self, name: str, why: str) -> NotAnEnvelopeError:
        return NotAnEnvelopeError(why, f"{self.within}{name}")

    def part(self, name: str) -> "_Taker":
        value = self.raw.get(name)
        if not isinstance(value, dict):
            raise self.refuse(name, f"The part “{name}” is missing.")
        return _Taker(value, f"{self.within}{name}.")

    def known_or_new(self, name: str, form: type[OfficeForm], also: dict[str, Any] | None = None) -> int | dict[str, Any]:
        value = self.part(name)
        return value.number("id") if "id" in value.raw else _clean(form, {**value.raw, **(also or {})}, name)

    def uuid(self, name: str) -> UUID:
        try:
            return UUID(str(self.raw.get(name)))
        except ValueError as error:
            raise self.refuse(name, f"“{name}” is no id.") from error

    def number(self, name: str, least: int = 1) -> int:
        value = self.raw.get(name)
        if not isinstance(value, int) or isinstance(value, bool) or not least <= value < 2**31:
            raise self.refuse(name, f"“{name}” is no number that can be.")
        return value

    def maybe(self, name: str, read: Callable[[str], int]) -> int | None:
        return None if self.raw.get(name) is None else read(name)

    def flag(self, name: str) -> bool:
        value = self.raw.get(name)
        if not isinstance(value, bool):
            raise self.refuse(name, f"“{name}” is neither yes nor no.")
        return value

    def text(self, name: str, longest: int, *, required: bool = True) -> str:
        value = self.raw.get(name)
        value = "" if value is None else value
        if not isinstance(value, str) or len(value) > longest or "\x00" in value or (required and not value):
            raise self.refuse(name, f"“{name}” cannot be read.")
        return value

    def one_of(self, name: str, allowed: tuple[str, ...]) -> str:
        value = self.raw.get(name)
        if value not in allowed:
            raise self.refuse(name, f"“{name}” is none of {', '.join(allowed)}.")
        return str(value)

    def moment(self, name: str) -> datetime.datetime:
        value = self.raw.get(name)
        try:
            moment = parse_datetime(value) if isinstance(value, str) else None
        except ValueError:
            moment = None
        if moment is None or moment.tzinfo is None:
            raise self.refuse(name, f"“{name}” is no moment with its time zone.")
        return moment.astimezone(datetime.UTC)

    def amount(self, name: str) -> Decimal:
        value = self.raw.get(name)
        try:
            amount = Decimal(value) if isinstance(value, str) else None
        except InvalidOperation:
            amount = None
        if amount is None or not amount.is_finite() or not 0 <= amount < MOST_MONEY or amount != amount.quantize(Decimal("0.01")):
            raise self.refuse(name, f"“{name}” is no amount of money like 57.13.")
        return amount


def _clean(form: type[OfficeForm], values: dict[str, Any], part: str) -> dict[str, Any]:
    bound = form({name: "" if value is None else value for name, value in values.items()})
    if bound.is_valid():
        return dict(bound.cleaned_data)
    field, errors = next(iter(bound.errors.as_data().items()))
    raise NotAnEnvelopeError(" ".join(_words(errors)), part if field == "__all__" else f"{part}.{field}")


def _words(errors: list[ValidationError]) -> list[str]:
    return [message for error in errors for message in error.messages]


def _goods(rows: Any) -> tuple[tuple[str, int], ...]:
    if not isinstance(rows, list) or len(rows) > MOST_GOODS or not all(isinstance(row, dict) for row in rows):
        raise NotAnEnvelopeError("The goods taken along cannot be read.", "goods")
    goods = tuple((_Taker(row, "goods.").text("product", 40), _Taker(row, "goods.").number("quantity")) for row in rows)
    if len({product for product, _ in goods}) < len(goods) or any(quantity > 20 for _, quantity in goods):
        raise NotAnEnvelopeError("Each product stands once in the list, at most 20 of it.", "goods")
    return goods


def _shown(part: _Taker) -> Shown:
    sha256 = part.text("text_sha256", 64)
    if not SHA256.fullmatch(sha256):
        raise part.refuse("text_sha256", "“text_sha256” is no SHA-256.")
    sections = part.raw.get("text")
    if not isinstance(sections, list):
        raise part.refuse("text", "The text that was shown is missing.")
    return Shown(part.amount("due_today"), part.amount("monthly"), sha256, tuple(_section(each, part) for each in sections))


def _section(section: Any, part: _Taker) -> tuple[str, tuple[str, ...]]:
    if not isinstance(section, dict) or not isinstance(section.get("paragraphs"), list):
        raise part.refuse("text", "The text that was shown cannot be read.")
    words = [section.get("heading"), *section["paragraphs"]]
    if not all(isinstance(each, str) for each in words):
        raise part.refuse("text", "The text that was shown cannot be read.")
    return words[0], tuple(words[1:])


def _paid(part: _Taker) -> Paid:
    method, amount = part.one_of("method", ("cash", "cheque", *UNPAID)), part.amount("amount")
    number = part.text("cheque_number", 20, required=method == "cheque").strip()
    if (method in UNPAID) != (amount == 0):
        raise part.refuse("amount", "An amount goes with cash or a check, and nothing with neither.")
    return Paid(method, amount, number)
