"""Our reader of bank statements in BAI2, with every control total and count checked.

After the Cash Management Balance Reporting Specifications, version 2 (Bank Administration Institute; now ANSI X9). Amounts stand
in the smallest unit of their currency without a point; type codes 100 to 399 are credits, 400 to 699 debits, and of a bank's own
codes 920 to 959 credits and 960 to 999 debits. A control total is the sum of all amounts as they are signed in the file.
"""

import datetime
import re
from dataclasses import dataclass, field
from decimal import Decimal
from typing import NoReturn

from moneyed import CurrencyDoesNotExist, get_currency

from billing.banking.readers.found import (
    AGAIN,
    BankFileError,
    FoundAccount,
    FoundFile,
    FoundLine,
    as_file,
    day_of,
    in_cents,
    shown,
    without_nothing,
    words,
)
from billing.banking.readers.text import decoded

COMPLETE = "Download the file from the bank once more and wait until it is complete."
FIXED = {"S": 3, "V": 2}
"""Fields that a funds type brings along: three availabilities, or a day and a time."""
OPENING, CLOSING = "010", "015"
FEES = {"564", "567", "661", "698"}
CHEQUE_PAID = {"474", "475", "522"}


@dataclass
class Record:
    """One logical record: its code, its fields, the continuations counted in."""

    code: str
    line: int
    parts: list[str]

    def fields(self) -> list[str]:
        """Return the fields of a record without free text."""
        return [field.strip() for part in self.parts for field in part.partition("/")[0].split(",")]


@dataclass
class Group:
    """What a group header says for the accounts below it."""

    on: datetime.date
    currency: str
    is_interim: bool
    accounts: int = 0
    total: int = 0


@dataclass
class Account:
    """An account while its records come in."""

    record: Record
    number: str
    balances: dict[str, int] = field(default_factory=dict)
    total: int = 0
    lines: list[FoundLine] = field(default_factory=list)


def is_bai2(start: bytes) -> bool:
    """Tell by the first bytes of a file whether it is written in BAI2."""
    return bool(re.match(rb"01\s*,[^,\r\n]*,[^,\r\n]*,\s*\d{6}\s*,", start))


def read_bai2(content: bytes, *, currency: str) -> FoundFile:
    """Read a whole file. Raises BankFileError with the line and the reason; nothing of a refused file is kept."""
    reader = _Reader(currency, _records(decoded(content)))
    return as_file("BAI2", reader.read(), reader.notes)


def _records(text: str) -> list[Record]:
    """Put the lines of the file together to records; 88 goes on with the record before it."""
    records: list[Record] = []
    for number, raw in enumerate(text.split("\n"), 1):
        line = raw.rstrip()
        if not line:
            continue
        code, comma, rest = line.partition(",")
        if not re.fullmatch(r"\d\d", code, re.ASCII) or not comma:
            raise BankFileError(
                number, f"“{shown(line)}” does not begin with the number of a record (01, 02, 03, 16, 49, 88, 98, 99)."
            )
        if code != "88":
            records.append(Record(code, number, [rest]))
        elif records:
            records[-1].parts.append(rest)
        else:
            raise BankFileError(number, "The file begins with a continuation (88): its beginning is missing.", COMPLETE)
    return records


class _Reader:
    """Goes through the records once and holds every trailer against what it closes."""

    def __init__(self, currency: str, records: list[Record]) -> None:
        self.currency = currency
        self.records = records
        self.notes: list[str] = []
        self.found: list[FoundAccount] = []
        self.group: Group | None = None
        self.account: Account | None = None
        self.groups = self.total = 0
        self.counted = {"file": 0, "group": 0, "account": 0}
        self.is_over = False
        self.left_out = 0

    def read(self) -> list[FoundAccount]:
        """Read all records. Raises BankFileError where one does not fit, or the file ends before its last one."""
        if not self.records or self.records[0].code != "01":
            _refuse(self.records[0].line if self.records else 1, "The file does not begin with its header (01).", COMPLETE)
        for record in self.records:
            if self.is_over:
                _refuse(record.line, "Something stands after the end of the file (99).")
            for level in self.counted:
                self.counted[level] += len(record.parts)
            act = getattr(self, f"record_{record.code}", None)
            if act is None:
                _refuse(record.line, f"“{record.code}” is no record that is known here (01, 02, 03, 16, 49, 88, 98, 99).")
            act(record)
        if not self.is_over:
            _refuse(self.records[-1].line, "The file ends before its last record (99): a part of it is missing.", COMPLETE)
        if self.left_out:
            self.notes.append("Reports of the running day are not final and are left out.")
        if not self.found:
            _refuse(None, "The file holds no statement of a day that is over.", "Download the statement of the day before.")
        return self.found

    def record_01(self, record: Record) -> None:
        """Begin the file."""
        if self.counted["file"] > len(record.parts):
            _refuse(record.line, "A second file begins here (01).")
        fields = record.fields()
        if len(fields) > 7 and fields[7] not in {"", "2"}:
            _refuse(record.line, f"The file is written in version {fields[7][:4]} of the format; version 2 is read here.")

    def record_02(self, record: Record) -> None:
        """Begin a group: one day of one currency."""
        if self.group is not None:
            _refuse(record.line, "A group begins (02) before the one before it is closed (98).", COMPLETE)
        fields = [*record.fields(), *[""] * 7]
        if fields[2] == "4":
            _refuse(record.line, "The bank marked this group as a test (group status 4).", "Ask the bank for the true file.")
        if fields[2] == "2":
            _refuse(record.line, "The bank takes back what an earlier file told (group status 2).", "Ask the bank what is to go.")
        if fields[2] == "3":
            self.notes.append("The bank calls a group of this file a correction: compare it with what an earlier file told.")
        day = _as_day(fields[3])
        if day is None:
            _refuse(
                record.line, f"“{shown(fields[3])}” is not a day.", "Days are written like 261124 (year, month, day). " + AGAIN
            )
        self.group = Group(day, fields[5] or self.currency, is_interim=fields[6] == "3")
        self.counted["group"] = len(record.parts)

    def record_03(self, record: Record) -> None:
        """Begin an account, with its balances and totals."""
        if self.group is None or self.account is not None:
            what = "outside a group (02)" if self.group is None else "before the one before it is closed (49)"
            _refuse(record.line, f"An account begins (03) {what}.", COMPLETE)
        fields = record.fields()
        kept_in = (fields[1] if len(fields) > 1 else "") or self.group.currency
        if not fields[0]:
            _refuse(record.line, "The record does not say of which account it is.")
        if kept_in != self.currency:
            reason = f"The account is kept in {kept_in[:12]}, the books in {self.currency}."
            _refuse(record.line, reason, f"Choose the account that is kept in {self.currency}.")
        self.account = Account(record, fields[0])
        self.counted["account"] = len(record.parts)
        self.group.accounts += 1
        rest = fields[2:]
        while rest:
            code, amount, rest = self._status(record, rest)
            if amount is not None:
                self.account.total += amount
                self.account.balances.setdefault(code, amount)

    def _status(self, record: Record, fields: list[str]) -> tuple[str, int | None, list[str]]:
        """Read one balance or total off the front of the fields: type, amount, count of items, funds type and its fields."""
        code, amount, _count, funds = [*fields, "", "", "", ""][:4]
        if code and not re.fullmatch(r"\d{3}", code, re.ASCII):
            _refuse(record.line, f"“{shown(code)}” is no type code (three digits).")
        taken = 4 + _funds(funds, fields[4:], record)
        return code, _units(amount, record) if amount else None, fields[taken:]

    def record_16(self, record: Record) -> None:
        """Take a transaction."""
        if self.account is None or self.group is None:
            _refuse(record.line, "A transaction (16) stands outside an account (03).", COMPLETE)
        fields, text = _detail(record)
        code, amount, bank, customer = fields
        if not re.fullmatch(r"\d{3}", code, re.ASCII):
            _refuse(record.line, f"“{shown(code)}” is no type code (three digits).")
        if not amount and code != "890":
            _refuse(record.line, "The transaction has no amount.")
        units = _units(amount, record) if amount else 0
        self.account.total += units
        if code == "890":
            return
        cheque = customer.lstrip("0") if code in CHEQUE_PAID and customer.isdigit() else ""
        self.account.lines.append(
            FoundLine(
                reference=words(bank, 255) if bank.strip("0") else "",
                kind=_kind(code, units),
                posted_on=self.group.on,
                amount=self._money(units * _side(code, record), record),
                name=words(text, 120) or f"Type {code}",
                memo=words(" ".join(x for x in (text[120:], customer) if x.strip("0") and x != bank), 255),
                cheque_number=cheque[:20],
                line=record.line,
            )
        )

    def _money(self, units: int, record: Record) -> Decimal:
        try:
            in_one = int(get_currency(self.currency).sub_unit)
        except CurrencyDoesNotExist:
            in_one = 100
        return in_cents(Decimal(units) / in_one, str(units), record.line, AGAIN)

    def record_49(self, record: Record) -> None:
        """Close an account: its total and the number of its records must be what was read."""
        if self.account is None or self.group is None:
            _refuse(record.line, "An account is closed (49) where none is open.", COMPLETE)
        _check(record, self.account.total, {1: ("records of the account", self.counted["account"])})
        self.group.total += self.account.total
        account, self.account = self.account, None
        if self.group.is_interim:
            self.left_out += 1
            return
        closing, opening = account.balances.get(CLOSING), account.balances.get(OPENING)
        self.found.append(
            FoundAccount(
                bank_id="",
                account_id=account.number,
                kind="",
                begins_on=self.group.on,
                ends_on=self.group.on,
                balance=None if closing is None else self._money(closing, account.record),
                balance_on=None if closing is None else self.group.on,
                lines=tuple(without_nothing(account.lines, self.notes)),
                line=account.record.line,
                opening=None if opening is None else self._money(opening, account.record),
            )
        )

    def record_98(self, record: Record) -> None:
        """Close a group."""
        if self.group is None or self.account is not None:
            what = "where none is open" if self.group is None else "before its account is closed (49)"
            _refuse(record.line, f"A group is closed (98) {what}.", COMPLETE)
        counts = {1: ("accounts", self.group.accounts), 2: ("records of the group", self.counted["group"])}
        _check(record, self.group.total, counts)
        self.total += self.group.total
        self.groups += 1
        self.group = None

    def record_99(self, record: Record) -> None:
        """Close the file."""
        if self.group is not None:
            _refuse(record.line, "The file is closed (99) before its group is (98).", COMPLETE)
        _check(record, self.total, {1: ("groups", self.groups), 2: ("records of the file", self.counted["file"])})
        self.is_over = True


def _refuse(line: int | None, reason: str, advice: str = AGAIN) -> NoReturn:
    raise BankFileError(line, reason, advice)


def _check(record: Record, total: int, counts: dict[int, tuple[str, int]]) -> None:
    """Hold a trailer's control total and counts against what was read."""
    fields = [*record.fields(), "", ""]
    given = _units(fields[0], record)
    if given != total:
        _refuse(
            record.line, f"The control total is {given}, the amounts above add up to {total}: something is missing or changed."
        )
    for place, (what, counted) in counts.items():
        if not re.fullmatch(r"\d{1,9}", fields[place], re.ASCII) or int(fields[place]) != counted:
            told = shown(fields[place]) or "no"
            said = f"The trailer counts {told} {what}, {counted} were read: something is missing or changed."
            _refuse(record.line, said)


def _units(text: str, record: Record) -> int:
    if not re.fullmatch(r"[+-]?\d{1,15}", text, re.ASCII):
        advice = "Amounts are written without a point, in the smallest unit: 7500 for 75.00. " + AGAIN
        _refuse(record.line, f"“{shown(text)}” is not an amount.", advice)
    return int(text)


def _funds(kind: str, rest: list[str], record: Record) -> int:
    """Return how many fields a funds type brings along."""
    if kind in {"", "0", "1", "2", "Z"}:
        return 0
    if kind in FIXED:
        return FIXED[kind]
    if kind == "D":
        if not rest or not re.fullmatch(r"\d{1,3}", rest[0], re.ASCII):
            _refuse(record.line, "Funds type D does not say over how many days the amount is spread.")
        return 1 + 2 * int(rest[0])
    _refuse(record.line, f"“{shown(kind)}” is no funds type (0, 1, 2, S, V, D, Z).")


def _detail(record: Record) -> tuple[tuple[str, str, str, str], str]:
    """Return type, amount and both references of a transaction, and its text, which may hold commas and go on over lines."""
    fields: list[str] = []
    text: list[str] = []
    for part in record.parts:
        plain = part[:-1] if part.endswith("/") else part
        if text:
            text.append(plain)
            continue
        fields += plain.split(",")
        needed = 5 + _funds(fields[2].strip(), [x.strip() for x in fields[3:]], record) if len(fields) > 2 else 5
        if len(fields) > needed:
            text.append(",".join(fields[needed:]))
            fields = fields[:needed]
    given = [x.strip() for x in [*fields, "", "", "", "", ""]]
    taken = 3 + _funds(given[2], given[3:], record)
    if taken + 1 >= len(given):
        _refuse(record.line, "The transaction ends before all parts of its amount are told: something is missing.", COMPLETE)
    return (given[0], given[1], given[taken], given[taken + 1]), " ".join(x.strip() for x in text if x.strip())


def _side(code: str, record: Record) -> int:
    """Return 1 for a credit and -1 for a debit."""
    number = int(code)
    if 100 <= number <= 399 or 920 <= number <= 959:
        return 1
    if 400 <= number <= 699 or 960 <= number <= 999:
        return -1
    _refuse(record.line, f"Type {code} does not say whether money came in or went out; 100 to 399 and 400 to 699 do.")


def _kind(code: str, units: int) -> str:
    if code in FEES:
        return "fee"
    if code in CHEQUE_PAID:
        return "check"
    return "credit" if units and int(code) < 400 else "debit"


def _as_day(text: str) -> datetime.date | None:
    """Read a day with two digits for the year; they stand for the years 1980 to 2079."""
    found = re.fullmatch(r"(\d\d)(\d\d)(\d\d)", text, re.ASCII)
    if found is None:
        return None
    year = int(found[1])
    return day_of(year + (1900 if year >= 80 else 2000), int(found[2]), int(found[3]))
