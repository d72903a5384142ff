"""What stands on each document: one frozen dataclass per kind. Rendering reads these and nothing else.

A field added later needs a default, so that documents asked for earlier can still be made.
"""

import datetime
from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True)
class Letterhead:
    """The office as it stood when the document was asked for."""

    name: str
    street: str
    city: str
    state: str
    postal_code: str
    phone: str
    email: str


@dataclass(frozen=True)
class Addressee:
    """Whom a letter goes to. `lines` are the postal lines under the name, at most three."""

    name: str
    lines: tuple[str, ...]
    household_number: str = ""


@dataclass(frozen=True)
class PriceLine:
    """One line of a list of amounts."""

    label: str
    amount: Decimal


@dataclass(frozen=True)
class KitLine:
    """A thing taken along: how many, and the price of all of them."""

    name: str
    quantity: int
    amount: Decimal


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
    guardian typed as signature, "" where the office tells and the family need not sign.
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


@dataclass(frozen=True)
class ReceiptPage:
    """A payment, what it paid for, and what is still owed; `credited` is what the office has credited to the account so far."""

    number: str
    addressee: Addressee
    received_on: datetime.date
    method: str
    amount: Decimal
    paid_for: tuple[PriceLine, ...]
    kept_on_account: Decimal
    balance: Decimal
    taken_by: str
    credited: Decimal = Decimal(0)


@dataclass(frozen=True)
class SlipCheque:
    """One check on a deposit slip: its number, the family it came from, and its amount."""

    number: str
    family: str
    amount: Decimal


@dataclass(frozen=True)
class DepositSlipPage:
    """What goes to the bank together: cash and checks. `account` and `last_four` are "" while no account is known."""

    number: str
    deposited_on: datetime.date
    account: str
    last_four: str
    cash: Decimal
    cheques: tuple[SlipCheque, ...]
    cheque_total: Decimal
    total: Decimal
    made_by: str


@dataclass(frozen=True)
class OverdueItem:
    """One unpaid charge."""

    due_on: datetime.date
    what: str
    open_amount: Decimal


@dataclass(frozen=True)
class OverduePage:
    """A letter about what is overdue: `step` is how it is worded: 1 friendly, 2 firm, 3 the last before the manager decides."""

    step: int
    addressee: Addressee
    dated_on: datetime.date
    answer_by: datetime.date
    items: tuple[OverdueItem, ...]
    total: Decimal


@dataclass(frozen=True)
class StatementRow:
    """One entry on an account: a bill with its lines, a payment, a credit; and the balance after it."""

    on: datetime.date
    what: str
    lines: tuple[PriceLine, ...]
    charged: Decimal | None
    credited: Decimal | None
    balance: Decimal


@dataclass(frozen=True)
class StatementItem:
    """Something unpaid, or the next bill of an agreement before it is made."""

    due_on: datetime.date
    what: str
    amount: Decimal


@dataclass(frozen=True)
class StatementCredit:
    """What rent has built up toward owning one instrument, and its price at signing."""

    agreement: str
    instrument: str
    credit: Decimal
    price: Decimal


@dataclass(frozen=True)
class StatementPage:
    """A household's account over some days, both included. A positive balance is owed, a negative one is money on account.

    With a `payer` it is one guardian's part: his shares of the bills and his own payments.
    """

    addressee: Addressee
    dated_on: datetime.date
    begins_on: datetime.date
    through_on: datetime.date
    opening: Decimal
    rows: tuple[StatementRow, ...]
    closing: Decimal
    open_items: tuple[StatementItem, ...]
    credits: tuple[StatementCredit, ...]
    next_due: tuple[StatementItem, ...]
    payer: str = ""


@dataclass(frozen=True)
class CleaningItem:
    """An instrument whose annual cleaning is due."""

    instrument: str
    asset_tag: str
    last_cleaned_on: datetime.date | None
    due_on: datetime.date


@dataclass(frozen=True)
class CleaningPage:
    """A reminder that the annual cleaning of one or more instruments is due."""

    addressee: Addressee
    dated_on: datetime.date
    items: tuple[CleaningItem, ...]


@dataclass(frozen=True)
class LetterRow:
    """A letter on the cover sheet of a print batch."""

    position: int
    to_name: str
    postal_code: str
    subject: str
    pages: int


@dataclass(frozen=True)
class BatchPage:
    """The cover sheet of a print batch: which letters follow, in which order."""

    made_at: datetime.datetime
    made_by: str
    letters: tuple[LetterRow, ...]
    sheets: int


@dataclass(frozen=True)
class FactLine:
    """One fact by its label, both in words."""

    label: str
    value: str


@dataclass(frozen=True)
class MovePage:
    """One thing that happened to an agreement: a price quoted, a sale, a return, a loss.

    `facts` and `sentences` are whole words in the family's language; `amounts` may be negative and add up to `total`.
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


@dataclass(frozen=True)
class ReportColumn:
    """A column of a report; figures stand at the right."""

    label: str
    is_number: bool


@dataclass(frozen=True)
class ReportLine:
    """A row of a report, every cell as it is read."""

    cells: tuple[str, ...]
    is_total: bool = False


@dataclass(frozen=True)
class ReportPage:
    """A report of the books for one month. `ties` say which figures equal the ledger's; `caution_about` as on screen."""

    heading: str
    month: str
    through_on: datetime.date
    columns: tuple[ReportColumn, ...]
    lines: tuple[ReportLine, ...]
    ties: tuple[str, ...]
    notes: tuple[str, ...]
    caution_about: str = ""
    caution: str = ""

    @property
    def rows(self) -> list[tuple[bool, list[tuple[str, bool]]]]:
        """Each line: whether it is the total, and its cells with whether they are figures."""
        return [
            (line.is_total, [(cell, column.is_number) for cell, column in zip(line.cells, self.columns, strict=True)])
            for line in self.lines
        ]


@dataclass(frozen=True)
class ClosingCheckLine:
    """One check of a closing as it stood: state holds or waived, with why it was let pass."""

    title: str
    state: str
    note: str
    waived: str = ""


@dataclass(frozen=True)
class ClosingPage:
    """What a month was closed with: its checklist, and every report. `number` is more than 1 for a month closed again."""

    month: str
    through_on: datetime.date
    number: int
    closed_at: datetime.datetime
    closed_by: str
    checks: tuple[ClosingCheckLine, ...]
    reports: tuple[ReportPage, ...]


@dataclass(frozen=True)
class AutopayPage:
    """One thing about a family's autopay: what was authorised, what will be debited, what came back.

    `sentences` are whole paragraphs in the family's language; `amounts` add up to `total`. `signer`: who authorised, or "".
    `translation`: where the English `sentences` were signed, what they mean in the family's language; the English counts.
    An account is named by its last four digits only.
    """

    heading: str
    dated_on: datetime.date
    addressee: Addressee
    facts: tuple[FactLine, ...]
    amounts: tuple[PriceLine, ...]
    total: Decimal
    sentences: tuple[str, ...]
    signer: str
    translation: tuple[str, ...] = ()


@dataclass(frozen=True)
class ManifestLine:
    """One instrument at a stop: what happens with it, and the student's initials, never a name."""

    tag: str
    kind: str
    task: str
    initials: str
    what: str


@dataclass(frozen=True)
class ManifestStop:
    """One stop of a run in its order."""

    name: str
    address: str
    contact: str
    safe_place: str
    lines: tuple[ManifestLine, ...]


@dataclass(frozen=True)
class ManifestPage:
    """What a driver takes along: the stops in order, what each gets, and where to sign. `miles` is "" when it is not known."""

    on: datetime.date
    driver: str
    shop: str
    notes: str
    miles: str
    stops: tuple[ManifestStop, ...]


@dataclass(frozen=True)
class NightLine:
    """One line of a night's closing sheet: its state in a word, its figures as (label, value), and what differs or ""."""

    name: str
    word: str
    facts: tuple[tuple[str, str], ...]
    differs: str = ""


@dataclass(frozen=True)
class NightClosingPage:
    """A sign-up night as it was closed. Names no family."""

    school: str
    on: datetime.date
    closed_at: datetime.datetime
    closed_by: str
    lines: tuple[NightLine, ...]
    note: str = ""
