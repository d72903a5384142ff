"""Reads Nacha files strictly, record by record: our own before they leave, and the bank's with returns and corrections.

Every refusal names the line. It repeats amounts and totals, never an account number or a name.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from billing.autopay import layout, rules
from billing.autopay.layout import BATCH_CONTROL, BATCH_HEADER, BLOCKING, ENTRY, FILE_CONTROL, FILE_HEADER, FILLER, RECORD, cut

MODULUS = 10**10
DEBITS = frozenset({"26", "27", "28", "29", "36", "37", "38", "39"})
CREDITS = frozenset({"21", "22", "23", "24", "31", "32", "33", "34"})
WITHOUT_AMOUNT = frozenset({"23", "28", "33", "38"})
CLASSES = frozenset({"PPD", "WEB", "COR", "CCD", "TEL"})
ENTRY_SHAPE = re.compile(
    r"6[23][1-46-9]\d{9}(?=.{0,16}[^ ])[ -~]{17}\d{10}[ -~]{15}[ -~]{22}[ -~]{2}[01]\d{15}", re.ASCII
).fullmatch
LARGEST = 40_000_000
"""Characters of the largest file that is read: some 400,000 records."""


class NachaFileError(Exception):
    """A file cannot be read as it stands: the line, counted from 1, and the reason."""

    def __init__(self, line: int, reason: str) -> None:
        super().__init__(f"Line {line}: {reason}")
        self.line, self.reason = line, reason


@dataclass
class Item:
    """An entry with its addenda, as text; `line` is where the entry stands."""

    line: int
    entry_class: str
    record: str = field(repr=False)
    addenda: list[str] = field(default_factory=list, repr=False)


@dataclass
class Totals:
    """What a file comes to. Cents; `hash` with its ten digits."""

    records: int = 0
    blocks: int = 0
    batches: int = 0
    entry_addenda: int = 0
    entries: int = 0
    hash: int = 0
    debit_cents: int = 0
    credit_cents: int = 0


def read(pieces: Iterable[str], *, keep: list[Item] | None = None) -> Totals:
    """Read a file given in pieces of whole lines and return its totals; `keep` gathers its entries. Raises NachaFileError."""
    reader = Reader(keep)
    for piece in pieces:
        reader.take(piece.split("\n"))
    return reader.finish()


def read_bytes(content: bytes, *, keep: list[Item] | None = None) -> Totals:
    """Read a file as it came from the bank: lines ended by LF or CR LF, or none at all. Raises NachaFileError."""
    if len(content) > LARGEST:
        raise NachaFileError(1, f"the file has more than {LARGEST // 1_000_000} MB. Ask the bank for shorter spans of days.")
    try:
        text = content.decode("ascii")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise NachaFileError(line, "a character is none of a Nacha file. Choose the file as the bank gave it.") from error
    text = text.replace("\r\n", "\n").rstrip("\n \x1a\x00")
    lines = text.split("\n") if "\n" in text else [text[n : n + RECORD] for n in range(0, len(text), RECORD)]
    return read(["\n".join(_padded(lines))], keep=keep)


def _padded(lines: list[str]) -> Iterator[str]:
    """Give back blanks that were cut off at the end; only records whose last field may be blank can lose them."""
    return (line.ljust(RECORD) if line[:1] in {"1", "9"} and line != FILLER else line for line in lines)


class Reader:
    """Where one is in a file, and the sums so far."""

    def __init__(self, keep: list[Item] | None = None) -> None:
        self.keep = keep
        self.whole, self.part = Totals(), Totals()
        self.line = 0
        self.header = ""
        self.batch = ""
        self.entry_class = ""
        self.last_trace = ""
        self.last_batch = 0
        self.awaits_addenda = False
        self.control = ""
        self.known_routing: set[str] = set()

    def take(self, lines: list[str]) -> None:
        """Read so many lines."""
        for record in lines:
            if not record:
                continue
            self.line += 1
            if record[0] == "6":
                self._entry(record)
            else:
                self._other(record)

    def refuse(self, reason: str) -> NachaFileError:
        """A refusal of the line one is at."""
        return NachaFileError(self.line, reason)

    def _other(self, record: str) -> None:
        if len(record) != RECORD:
            raise self.refuse(f"it has {len(record)} characters; a record has {RECORD}.")
        if self.control:
            if record != FILLER:
                raise self.refuse("after the file control only lines of nines may follow.")
            return
        match record[0]:
            case "1":
                self._file_header(record)
            case "5":
                self._batch_header(record)
            case "7":
                self._addenda(record)
            case "8":
                self._batch_control(record)
            case "9":
                self._file_control(record)
            case other:
                raise self.refuse(f"no record begins with “{other}”: it must be 1, 5, 6, 7, 8 or 9.")

    def _file_header(self, record: str) -> None:
        if self.line != 1:
            raise self.refuse("a second file header. One file at a time.")
        fixed = {"priority": "01", "record size": "094", "blocking factor": "10", "format": "1"}
        self._expect_all(FILE_HEADER, record, fixed, "file header")
        destination, modifier = cut(FILE_HEADER, record, "immediate destination"), cut(FILE_HEADER, record, "file ID modifier")
        if not re.fullmatch(r"[ 0-9A-Z]{10}", destination):
            raise self.refuse("the immediate destination is no routing number.")
        if not re.fullmatch(r"[A-Z0-9]", modifier):
            raise self.refuse(f"the file ID modifier is “{modifier}”; it must be a capital letter or a digit.")
        self._date(cut(FILE_HEADER, record, "creation date"), "creation date")
        self.header = record

    def _batch_header(self, record: str) -> None:
        if not self.header:
            raise self.refuse("a batch before the file header. The file begins with a line that starts with 101.")
        if self.batch:
            raise self.refuse("a batch begins before the one before it has its control record.")
        service, self.entry_class = cut(BATCH_HEADER, record, "service class"), cut(BATCH_HEADER, record, "standard entry class")
        if service not in {"200", "220", "225", "280"}:
            raise self.refuse(f"the service class is “{service}”; it must be 200, 220, 225 or 280.")
        if self.entry_class not in CLASSES:
            raise self.refuse(f"entries of class “{self.entry_class}” are not read here.")
        self._date(cut(BATCH_HEADER, record, "effective entry date"), "effective entry date")
        for name in ("company name", "company identification", "entry description"):
            if not cut(BATCH_HEADER, record, name).strip():
                raise self.refuse(f"the {name} is empty.")
        number = self._digits(BATCH_HEADER, record, "batch number")
        if number <= self.last_batch:
            raise self.refuse(f"batch number {number} does not follow {self.last_batch}.")
        self._digits(BATCH_HEADER, record, "originating bank")
        self.batch, self.part, self.last_trace, self.last_batch = record, Totals(), "", number

    def _entry(self, record: str) -> None:
        if ENTRY_SHAPE(record) is None or not self.batch or self.awaits_addenda or self.control:
            raise self._why_no_entry(record)
        routing = record[3:12]
        if routing not in self.known_routing:
            if rules.check_digit(routing[:8]) != int(routing[8]):
                raise self.refuse("the check digit of the receiving bank is wrong.")
            self.known_routing.add(routing)
        code, cents, trace = record[1:3], int(record[29:39]), record[79:94]
        part = self.part
        if code in DEBITS:
            part.debit_cents += cents
        elif code in CREDITS:
            part.credit_cents += cents
        else:
            raise self.refuse(f"transaction code {code} is not one.")
        if trace <= self.last_trace:
            raise self.refuse(f"trace number {trace} does not follow {self.last_trace}.")
        if not cents and code not in WITHOUT_AMOUNT and self.entry_class != "COR":
            raise self.refuse("the amount is zero.")
        if cents and (code in WITHOUT_AMOUNT or self.entry_class == "COR"):
            raise self.refuse("an entry that moves no money has an amount.")
        self.last_trace = trace
        part.entries += 1
        part.hash += int(routing[:8])
        self.awaits_addenda = record[78] == "1"
        if self.awaits_addenda:
            part.entry_addenda += 1
        if self.keep is not None:
            self.keep.append(Item(self.line, self.entry_class, record))

    def _why_no_entry(self, record: str) -> NachaFileError:
        if len(record) != RECORD:
            return self.refuse(f"it has {len(record)} characters; a record has {RECORD}.")
        if self.control:
            return self.refuse("after the file control only lines of nines may follow.")
        if not self.batch:
            return self.refuse("an entry outside of any batch.")
        if self.awaits_addenda:
            return self.refuse("the entry before it says that an addenda record follows, and none does.")
        for name in ("transaction code", "receiving bank", "check digit", "amount", "addenda indicator", "trace number"):
            if not re.fullmatch(r"[0-9]+", cut(ENTRY, record, name)):
                return self.refuse(f"the {name} is not made of digits.")
        if cut(ENTRY, record, "addenda indicator") not in {"0", "1"}:
            return self.refuse("the addenda indicator must be 0 or 1.")
        if not cut(ENTRY, record, "account number").strip():
            return self.refuse("the account number is empty.")
        return self.refuse("the transaction code is not one, or a character is none of a Nacha file.")

    def _addenda(self, record: str) -> None:
        if not self.awaits_addenda:
            raise self.refuse("an addenda record that no entry announced.")
        kind = record[1:3]
        if kind not in {"05", "98", "99"}:
            raise self.refuse(f"addenda records of type {kind} are not read here.")
        if kind != "05" and record[79:94] != self.last_trace:
            raise self.refuse("the addenda record has another trace number than its entry.")
        self.awaits_addenda = False
        if self.keep is not None:
            self.keep[-1].addenda.append(record)

    def _batch_control(self, record: str) -> None:
        if not self.batch:
            raise self.refuse("a batch control without a batch.")
        if self.awaits_addenda:
            raise self.refuse("the entry before it says that an addenda record follows, and none does.")
        same = {
            name: cut(BATCH_HEADER, self.batch, name) for name in ("service class", "company identification", "originating bank")
        }
        same["batch number"] = cut(BATCH_HEADER, self.batch, "batch number")
        self._expect_all(BATCH_CONTROL, record, same, "batch control")
        part = self.part
        part.entry_addenda += part.entries
        self._expect_sums(BATCH_CONTROL, record, part, "batch")
        if (same["service class"] == "225" and part.credit_cents) or (same["service class"] == "220" and part.debit_cents):
            raise self.refuse("the batch has entries that its service class does not allow.")
        whole = self.whole
        whole.batches, whole.entries = whole.batches + 1, whole.entries + part.entries
        whole.entry_addenda += part.entry_addenda
        whole.hash += part.hash % MODULUS
        whole.debit_cents += part.debit_cents
        whole.credit_cents += part.credit_cents
        self.batch = ""

    def _file_control(self, record: str) -> None:
        if self.batch or not self.header:
            raise self.refuse("the file control comes before the last batch has its control record.")
        if self._digits(FILE_CONTROL, record, "batch count") != self.whole.batches:
            raise self.refuse(f"the file control counts other batches than the {self.whole.batches} of the file.")
        self._expect_sums(FILE_CONTROL, record, self.whole, "file")
        self.whole.blocks = self._digits(FILE_CONTROL, record, "block count")
        self.control = record

    def finish(self) -> Totals:
        """Check what only the end can tell, and return the totals."""
        if not self.header:
            raise NachaFileError(1, "this is no Nacha file: its first line does not start with 101.")
        if not self.control:
            raise NachaFileError(self.line, "the file ends here without its control record: it was cut off. Fetch it again.")
        if self.line != self.whole.blocks * BLOCKING:
            raise NachaFileError(
                self.line, f"the file control says {self.whole.blocks} blocks of ten lines, the file has {self.line} lines."
            )
        self.whole.hash %= MODULUS
        self.whole.records = self.line
        return self.whole

    def _expect_sums(self, fields: layout.Fields, record: str, sums: Totals, whose: str) -> None:
        found = {
            "entry and addenda count": sums.entry_addenda,
            "entry hash": sums.hash % MODULUS,
            "total debit": sums.debit_cents,
            "total credit": sums.credit_cents,
        }
        for name, value in found.items():
            said = self._digits(fields, record, name)
            if said != value:
                raise self.refuse(f"the {name} of the {whose} is {said}, but its entries come to {value}.")

    def _expect_all(self, fields: layout.Fields, record: str, expected: dict[str, str], whose: str) -> None:
        for name, value in expected.items():
            said = cut(fields, record, name)
            if said != value:
                raise self.refuse(f"the {name} of the {whose} is “{said}”; it must be “{value}”.")

    def _digits(self, fields: layout.Fields, record: str, name: str) -> int:
        text = cut(fields, record, name)
        if not re.fullmatch(r"[0-9]+", text):
            raise self.refuse(f"the {name} is not made of digits.")
        return int(text)

    def _date(self, text: str, name: str) -> None:
        month, day = text[2:4], text[4:6]
        if not re.fullmatch(r"[0-9]{6}", text) or not ("01" <= month <= "12" and "01" <= day <= "31"):
            raise self.refuse(f"the {name} is no day: it is written year, month, day, like 261124.")
