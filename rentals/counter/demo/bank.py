"""The demo's bank: last month's statement, taken in and matched, and a file of this month's first days for practice.

The bank writes what the books already know: deposits a day after they were made, transfers on their day, what came back; and what
only a bank knows: its fee, a receipt nobody told anybody about, a check that bounced.
"""

import datetime
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from xml.sax.saxutils import escape

from django.conf import settings

from billing import aging
from billing.banking import matching, operations, proposals, queries
from billing.banking.outstanding import Outstanding, list_outstanding
from billing.models import BankLine, BankMatch, Payment
from rentals.counter.demo.history import Story
from rentals.families.models import Guardian
from rentals.runtime.money import ZERO
from rentals.staff.models import Role

ACCOUNT, BANK_ID = "000123456789", "000000000"
PRACTICE_FILE = "bank-practice.ofx"


@dataclass(frozen=True)
class Told:
    """One line as the bank tells it. Money in is positive."""

    on: datetime.date
    amount: Decimal
    name: str
    kind: str = "CREDIT"
    memo: str = ""

    def reference(self, place: int) -> str:
        """An id of the bank's own: the same line always has the same one."""
        text = f"{place}|{self.on}|{self.amount}|{self.name}|{self.memo}"
        return hashlib.sha256(text.encode()).hexdigest()[:16].upper()


def write_ofx(
    lines: Sequence[Told], *, account: str, bank_id: str, begins_on: datetime.date, ends_on: datetime.date, balance: Decimal
) -> bytes:
    """Write a bank's statement in OFX 2.2 (XML)."""
    told = "".join(
        f"<STMTTRN><TRNTYPE>{line.kind}</TRNTYPE><DTPOSTED>{line.on:%Y%m%d}120000</DTPOSTED><TRNAMT>{line.amount}</TRNAMT>"
        f"<FITID>{line.reference(place)}</FITID><NAME>{escape(line.name[:32])}</NAME>"
        f"{f'<MEMO>{escape(line.memo)}</MEMO>' if line.memo else ''}</STMTTRN>\n"
        for place, line in enumerate(lines)
    )
    status = "<STATUS><CODE>0</CODE><SEVERITY>INFO</SEVERITY></STATUS>"
    return (
        '<?xml version="1.0" encoding="UTF-8" standalone="no"?>\n'
        '<?OFX OFXHEADER="200" VERSION="220" SECURITY="NONE" OLDFILEUID="NONE" NEWFILEUID="NONE"?>\n'
        f"<OFX><SIGNONMSGSRSV1><SONRS>{status}<DTSERVER>{ends_on:%Y%m%d}235900</DTSERVER><LANGUAGE>ENG</LANGUAGE></SONRS>"
        f"</SIGNONMSGSRSV1>\n<BANKMSGSRSV1><STMTTRNRS><TRNUID>0</TRNUID>{status}\n"
        f"<STMTRS><CURDEF>{settings.CURRENCY}</CURDEF><BANKACCTFROM><BANKID>{bank_id}</BANKID><ACCTID>{account}</ACCTID>"
        "<ACCTTYPE>CHECKING</ACCTTYPE></BANKACCTFROM>\n"
        f"<BANKTRANLIST><DTSTART>{begins_on:%Y%m%d}</DTSTART><DTEND>{ends_on:%Y%m%d}</DTEND>\n{told}</BANKTRANLIST>\n"
        f"<LEDGERBAL><BALAMT>{balance}</BALAMT><DTASOF>{ends_on:%Y%m%d}</DTASOF></LEDGERBAL>\n"
        "</STMTRS></STMTTRNRS></BANKMSGSRSV1></OFX>\n"
    ).encode()


def bank_history(story: Story) -> Path:
    """Take in and match last month's statement, and write this month's so far for practice. Returns the file's path."""
    month = story.today.replace(day=1)
    last_month = (month - datetime.timedelta(days=1)).replace(day=1)
    last_day = month - datetime.timedelta(days=1)
    named = {g.household_id: str(g) for g in Guardian.objects.filter(is_primary=True)}
    earlier = list_outstanding(through_on=last_month - datetime.timedelta(days=1))
    waiting = [_told(item, named) for item in [*earlier, *list_outstanding(begins_on=last_month, through_on=last_day)]]
    fee = Told(last_day, Decimal("-18.00"), "MONTHLY SERVICE CHARGE", "SRVCHG")
    lines = _within([*waiting, fee], last_month, last_day)
    before = sum((item.amount for item in earlier if _told(item, named).on < last_month), ZERO)
    balance = before + sum((line.amount for line in lines), ZERO)
    content = write_ofx(lines, account=ACCOUNT, bank_id=BANK_ID, begins_on=last_month, ends_on=last_day, balance=balance)
    _take_in_and_match(story, content, f"statement-{last_month:%Y-%m}.ofx")
    return _write_practice(story, month, balance, named)


def _told(item: Outstanding, named: dict[int, str]) -> Told:
    """How the bank tells what the books know."""
    if item.kind == "deposit" and item.memo.startswith("Card payout"):
        return Told(item.on, item.amount, "CARD PAYOUT")
    if item.kind == "deposit":
        return Told(item.on + datetime.timedelta(days=1), item.amount, "BRANCH DEPOSIT")
    if item.kind == "return":
        return Told(item.on, item.amount, "RETURNED ITEM", "DEBIT", item.number)
    name = named.get(item.household_id or 0, item.household_name)
    return Told(item.on, item.amount, f"TRANSFER FROM {name}".upper(), memo=f"RENT {item.household_number}")


def _within(lines: list[Told], begins_on: datetime.date, ends_on: datetime.date) -> list[Told]:
    return sorted((x for x in lines if begins_on <= x.on <= ends_on), key=lambda x: (x.on, x.name, x.amount))


def _take_in_and_match(story: Story, content: bytes, file_name: str) -> None:
    """Do what the bookkeeper did: name the account, then match whatever is in the books, and the fee."""
    bookkeeper = story.shop.people[Role.BOOKKEEPER.value]
    file = operations.read_file(content=content, file_name=file_name, acting_user=bookkeeper, now=story.now)
    answers = {each["fingerprints"][0]: operations.AccountAnswer(name="Checking") for each in file.contents["accounts"]}
    operations.take_in(file=file, answers=answers, same_lines=(), acting_user=bookkeeper, now=story.now)
    for _pass in range(2):
        lines = list(queries.list_lines("open"))
        for pk, found in proposals.propose(lines, today=story.today).items():
            line = next(x for x in lines if x.pk == pk)
            _accept(story, line, found[0])


def _accept(story: Story, line: BankLine, found: proposals.Proposal) -> None:
    if not found.choice.startswith(("entries:", "fee")):
        return
    how = BankMatch.How.CERTAIN if found.is_certain else BankMatch.How.PROPOSED
    person = story.shop.people[Role.BOOKKEEPER.value]
    try:
        matching.match_line(line=line, parts=proposals.parts_of(found.choice, line), how=how, acting_user=person, now=story.now)
    except matching.NotOutstandingError:
        return  # an equal amount went to an earlier line; the second pass proposes what is left


def _write_practice(story: Story, month: datetime.date, balance: Decimal, named: dict[int, str]) -> Path:
    """Write this month's statement up to yesterday, with what only the bank knows."""
    ends_on = max(story.today - datetime.timedelta(days=1), month)
    begins_on = month
    told = [_told(item, named) for item in list_outstanding(begins_on=month - datetime.timedelta(days=3), through_on=ends_on)]
    told.append(Told(ends_on, Decimal("-12.50"), "DEPOSIT SLIP FEE", "FEE"))
    told.append(Told(ends_on, Decimal("64.20"), "MOBILE CREDIT 77120"))
    owing = next(iter(aging.list_overdue(story.today)), None)
    if owing is not None:
        name = named.get(owing.household_id, owing.name)
        told.append(Told(ends_on, owing.amount, f"TRANSFER FROM {name}".upper(), memo="RENT"))
    bounced = (
        Payment.objects.filter(method=Payment.Method.CHEQUE, deposit__deposited_on__lt=ends_on, payment_return=None)
        .order_by("-received_on", "-pk")
        .first()
    )
    if bounced is not None:
        told.append(Told(ends_on, -bounced.amount, "RETURNED ITEM NSF", "DEBIT", f"CHECK {bounced.cheque_number}"))
    lines = _within(told, begins_on, ends_on)
    balance += sum((line.amount for line in lines), ZERO)
    content = write_ofx(lines, account=ACCOUNT, bank_id=BANK_ID, begins_on=begins_on, ends_on=ends_on, balance=balance)
    path = Path(settings.STATE_DIR) / PRACTICE_FILE
    path.write_bytes(content)
    return path
