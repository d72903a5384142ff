"""Our reader of bank files in OFX: 1.x (SGML) and 2.x (XML), several accounts in one file, refused whole when in doubt.

After the Open Financial Exchange specification: chapter 3 for amounts (a point or a comma before the decimals, nothing between
the thousands) and dates, chapter 11 for statements. A date is the calendar day as the bank wrote it, whatever time zone stands
behind it: that day is on the paper statement too (common practice, no source).
"""

import datetime
import re
from decimal import Decimal
from typing import NoReturn

from billing.banking.readers.found import (
    AGAIN,
    NOT_FROM_A_BANK,
    BankFileError,
    FoundAccount,
    FoundFile,
    FoundLine,
    as_file,
    day_of,
    in_cents,
    without_nothing,
    words,
)
from billing.banking.readers.markup import Node, read_sgml, read_xml

CHOOSE_OFX = "In the bank’s online pages choose the format OFX and download again."
BEGINS = re.compile(rb"OFXHEADER\s*:|<OFX>|<\?OFX\b", re.IGNORECASE)
CARD = "creditcard"


def is_ofx(start: bytes) -> bool:
    """Tell by the first bytes of a file, after any byte order mark, whether it is written in OFX."""
    return bool(BEGINS.match(start)) or (start[:5].lower() == b"<?xml" and bool(BEGINS.search(start[:2000])))


def read_ofx(content: bytes, *, currency: str) -> FoundFile:
    """Read a whole file. Raises BankFileError with the line and the reason; nothing of a refused file is kept."""
    root = _tree(content)
    _refuse_failed_answer(root)
    notes: list[str] = []
    nodes = [node for node in root.walk() if node.name in {"STMTRS", "CCSTMTRS"}]
    accounts = [_account(node, currency, notes) for node in nodes]
    others = any(node.name == "INVSTMTRS" for node in root.walk())
    if not accounts:
        reason = "The file holds an investment account, no bank account." if others else "The file holds no account."
        raise BankFileError(None, reason, "Choose the bank account that the deposits go to, and download its statement as OFX.")
    if others:
        notes.append("The file also holds an investment account; only accounts with a bank are taken in.")
    seen: dict[tuple[str, str], int] = {}
    for account in accounts:
        key = (account.bank_id, account.account_id)
        if key in seen:
            raise BankFileError(account.line, f"The account of line {seen[key]} stands in the file a second time.")
        seen[key] = account.line
    return as_file("OFX", accounts, notes)


def _refuse(node: Node, reason: str, advice: str = AGAIN) -> NoReturn:
    raise BankFileError(node.line, reason, advice)


def _tree(content: bytes) -> Node:
    start = content.lstrip()
    if start[:5].lower() == b"<?xml" or start.startswith(b"<?OFX"):
        if b"\0" in content:
            raise BankFileError(None, "The file is not in a spelling that can be read here (UTF-8).")
        return read_xml(start, root="OFX")
    text = _decoded(content)
    begin = re.search(r"<", text)
    if begin is None:
        raise BankFileError(text.count("\n") + 1, "The file ends after its header: the contents are missing.")
    if re.search(r"<!\s*(DOCTYPE|ENTITY)", text, re.IGNORECASE):
        line = text[: text.index("<!")].count("\n") + 1
        reason = "The file defines entities or a document type, which no bank’s file needs."
        raise BankFileError(line, reason, NOT_FROM_A_BANK)
    return read_sgml(text[begin.start() :], text[: begin.start()].count("\n") + 1)


def _decoded(content: bytes) -> str:
    """Read the bytes as the header says they are spelled; where it says nothing, UTF-8 or else Windows-1252."""
    head = content[: content.find(b"<") if b"<" in content else len(content)].decode("latin-1")
    fields = dict(re.findall(r"(\w+)\s*:\s*([^\s:]*)", head.upper()))
    encoding, charset = fields.get("ENCODING", ""), fields.get("CHARSET", "")
    if encoding in {"UTF-8", "UTF8", "UNICODE"} or charset in {"UTF-8", "UTF8"}:
        codecs = ["utf-8"]
    elif charset in {"1252", "WINDOWS-1252", "CP1252"}:
        codecs = ["cp1252"]
    elif charset in {"8859-1", "ISO-8859-1", "ISO8859-1"}:
        codecs = ["latin-1"]
    elif charset in {"", "NONE"}:
        codecs = ["utf-8", "cp1252"]
    else:
        raise BankFileError(None, f"The header names a character set that is not known here: {charset[:20]}.", CHOOSE_OFX)
    problem: UnicodeDecodeError | None = None
    for codec in codecs:
        try:
            text = content.decode(codec)
        except UnicodeDecodeError as error:
            problem = error
        else:
            return _only_text(text)
    assert problem is not None
    line = content[: problem.start].count(b"\n") + 1
    raise BankFileError(line, f"Here stands a character that does not belong to the file’s character set ({codecs[-1]}).")


def _only_text(text: str) -> str:
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    odd = re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\x80-\x9f]", text)
    if odd:
        line = text[: odd.start()].count("\n") + 1
        raise BankFileError(line, "Here stands a character that is not text: the file is damaged, or is no OFX file.")
    return text


def _refuse_failed_answer(root: Node) -> None:
    for status in (node for node in root.walk() if node.name == "STATUS"):
        if status.text("SEVERITY").upper() == "ERROR":
            said = status.text("MESSAGE") or f"code {status.text('CODE')}"
            _refuse(status, f"The bank put an error into the file instead of a statement: {said[:120]}.")


def _account(node: Node, currency: str, notes: list[str]) -> FoundAccount:
    given = node.text("CURDEF").upper()
    if given != currency:
        reason = f"The account is kept in {given[:12]}, the books in {currency}." if given else "The account names no currency."
        _refuse(node.first("CURDEF") or node, reason, f"Choose the account that is kept in {currency}.")
    of = node.first("BANKACCTFROM") or node.first("CCACCTFROM")
    if of is None or not of.text("ACCTID"):
        _refuse(of or node, "The statement does not say of which account it is.")
    if of.name == "CCACCTFROM":
        notes.append(f"Account …{of.text('ACCTID')[-4:]} is a credit card: leave it out unless it is in these books.")
    listed = node.first("BANKTRANLIST")
    lines = tuple(_lines(listed, currency, notes)) if listed else ()
    days = [line.posted_on for line in lines]
    balance = node.first("LEDGERBAL")
    return FoundAccount(
        bank_id=of.text("BANKID"),
        account_id=of.text("ACCTID"),
        kind=CARD if of.name == "CCACCTFROM" else of.text("ACCTTYPE").lower(),
        begins_on=_day_if_given(listed, "DTSTART") or min(days, default=None),
        ends_on=_day_if_given(listed, "DTEND") or max(days, default=None),
        balance=_amount(balance, "BALAMT", notes) if balance else None,
        balance_on=_day(balance, "DTASOF") if balance else None,
        lines=lines,
        line=node.line,
    )


def _lines(listed: Node, currency: str, notes: list[str]) -> list[FoundLine]:
    """Read the transactions. The same one standing twice is taken once; two different ones under one id refuse the file."""
    kept: list[FoundLine] = []
    by_id: dict[str, FoundLine] = {}
    for line in without_nothing([_line(node, currency, notes) for node in listed.all("STMTTRN")], notes):
        same = by_id.setdefault(line.reference, line) if line.reference else line
        if same is line:
            kept.append(line)
        elif (same.amount, same.posted_on) == (line.amount, line.posted_on):
            notes.append(f"The line with the bank’s id {line.reference} stands twice in the file and is taken once.")
        else:
            reason = f"The bank’s id {line.reference} already stands at line {same.line}, with another day or amount."
            raise BankFileError(line.line, reason, "Ask the bank for a file in which every transaction has its own id.")
    return kept


def _line(node: Node, currency: str, notes: list[str]) -> FoundLine:
    payee = node.first("PAYEE")
    other = node.first("CURRENCY")
    if other is not None and other.text("CURSYM").upper() not in {"", currency}:
        _refuse(other, f"This line is in {other.text('CURSYM')[:12]}, the books are kept in {currency}.")
    if len(node.text("FITID")) > 255:
        _refuse(node, "The bank’s id of this line is longer than 255 characters.")
    return FoundLine(
        reference=words(node.text("FITID"), 255),
        kind=words(node.text("TRNTYPE"), 20).lower(),
        posted_on=_day(node, "DTPOSTED"),
        amount=_amount(node, "TRNAMT", notes),
        name=words(node.text("NAME"), 120) or (words(payee.text("NAME"), 120) if payee else ""),
        memo=words(node.text("MEMO"), 255),
        cheque_number=words(node.text("CHECKNUM"), 20),
        line=node.line,
    )


_AMOUNT = re.compile(r"[+-]?(\d+(?:[.,]\d*)?|[.,]\d+)", re.ASCII)


def _amount(node: Node, name: str, notes: list[str]) -> Decimal:
    leaf = node.first(name)
    if leaf is None or not leaf.value:
        _refuse(leaf or node, f"<{node.name}> has no amount (<{name}> is missing).")
    text = leaf.value.replace("−", "-")
    advice = "Amounts are written like 1250.50 or -75.00, with nothing between the thousands. " + AGAIN
    if not _AMOUNT.fullmatch(text):
        _refuse(leaf, f"“{text[:40]}” is not an amount.", advice)
    if "," in text:
        notes.append("The file writes a comma before the cents: 8,85 is read as 8.85.")
    return in_cents(Decimal(text.replace(",", ".")), text, leaf.line, advice)


_TIME = r"(?:\d{4}(?:\d{2}(?:\.\d{1,6})?)?)?"
_ZONE = r"\s*(?:\[[+-]?\d{1,2}(?:\.\d{1,2})?(?::[^\]]*)?\])?"
_DAY = re.compile(rf"(\d{{4}})(\d{{2}})(\d{{2}}){_TIME}{_ZONE}", re.ASCII)


def _day_if_given(node: Node | None, name: str) -> datetime.date | None:
    return _day(node, name) if node is not None and node.text(name) else None


def _day(node: Node, name: str) -> datetime.date:
    leaf = node.first(name)
    if leaf is None or not leaf.value:
        _refuse(leaf or node, f"<{node.name}> has no day (<{name}> is missing).")
    found = _DAY.fullmatch(leaf.value)
    day = day_of(int(found[1]), int(found[2]), int(found[3])) if found else None
    if day is None:
        _refuse(leaf, f"“{leaf.value[:40]}” is not a day.", "Days are written like 20261124 (year, month, day). " + AGAIN)
    return day
