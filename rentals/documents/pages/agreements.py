"""Pages about one agreement: as it was signed, what changed about it, what became of it."""

import datetime
from dataclasses import dataclass
from decimal import Decimal

from rentals.documents.pages.parts import Addressee, FactLine, KitLine, PriceLine


@dataclass(frozen=True)
class AgreementPage:
    """A rental as it was signed: parties, instrument, prices, terms, signature.

    `terms` is the text that was signed, paragraphs parted by blank lines; `terms_sha256` is the SHA-256 of its UTF-8 bytes.
    `signature_path` is an SVG path of M and L steps (empty when the name was typed). Months and totals are before tax unless
    their label says otherwise; `disclosures` are whole sentences printed above the signature. `months_until_owned` counts
    payments of rent; a line of `schedule` is one of them or many of them.
    """

    number: str
    signed_at: datetime.datetime
    starts_on: datetime.date
    guardian: Addressee
    guardian_phone: str
    guardian_email: str
    student: str
    school: str
    programme: str
    instrument: str
    asset_tag: str
    serial_number: str
    condition: str
    received_at: str
    plan: str
    monthly: tuple[PriceLine, ...]
    monthly_total: Decimal
    due_today: tuple[PriceLine, ...]
    due_today_total: Decimal
    purchase_price: Decimal
    replacement_value: Decimal
    months_until_owned: int | None
    total_to_own: Decimal | None
    kit: tuple[KitLine, ...]
    disclosures: tuple[str, ...]
    terms: str
    terms_sha256: str
    signer: str
    signature_method: str
    signature_path: str
    consent: str
    consent_version: str
    taken_by: str
    schedule: tuple[PriceLine, ...] = ()
    owned_on: datetime.date | None = None
    cash_price: Decimal | None = None
    cost_of_renting: Decimal | None = None
    follows: str = ""


@dataclass(frozen=True)
class AddendumPage:
    """What changed about a signed agreement, in whole sentences, and who agreed to it.

    `before` and `after` are what one period costs, before tax; both empty where no price changes. `signer` is the name that the
    guardian typed as signature, "" where the office tells and the family need not sign. `in_english`: title and paragraphs are,
    whatever the family reads, because that is what was signed. A letter of the office's own words has `heading`, `opening` and
    `closing` instead of them; `places` is what these were filled with.
    """

    title: str
    number: str
    addressee: Addressee
    made_at: datetime.datetime
    student: str
    instrument: str
    paragraphs: tuple[str, ...]
    before: tuple[PriceLine, ...]
    after: tuple[PriceLine, ...]
    signer: str
    taken_by: str
    in_english: bool = True
    heading: str = ""
    opening: tuple[str, ...] = ()
    closing: tuple[str, ...] = ()
    places: tuple[FactLine, ...] = ()


@dataclass(frozen=True)
class MovePage:
    """One thing that happened to an agreement: a price quoted, a sale, a return, a loss.

    `facts` and `sentences` are whole words in the family's language; `amounts` may be negative and add up to `total`.
    `opening` and `closing` are the words around the figures where the manager may change them;
    `closing` then says the sentences too.
    """

    heading: str
    dated_on: datetime.date
    number: str
    addressee: Addressee
    facts: tuple[FactLine, ...]
    amounts: tuple[PriceLine, ...]
    total_label: str
    total: Decimal
    sentences: tuple[str, ...]
    taken_by: str
    opening: tuple[str, ...] = ()
    closing: tuple[str, ...] = ()
