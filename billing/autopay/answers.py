"""What the bank's file says about our debits: which came back and why, and what about an account is to be corrected."""

import datetime
import re
from dataclasses import dataclass, field

from billing.autopay import reader, rules
from billing.autopay.layout import ADDENDA_98, ADDENDA_99, ENTRY, cut
from billing.autopay.reader import Item, NachaFileError

SHOWN_TRACE = re.compile(r"[0-9]{15}")


@dataclass(frozen=True)
class Returned:
    """A debit that came back. `trace`: of the debit as it left; `died_on` only with R14 and R15."""

    line: int
    trace: str
    reason: str
    cents: int
    died_on: datetime.date | None = None


@dataclass(frozen=True)
class Corrected:
    """What the receiving bank corrects; the parts that change, None otherwise. The account number stays out of repr."""

    line: int
    trace: str
    change: str
    routing: str | None = None
    account: str | None = field(default=None, repr=False)
    is_savings: bool | None = None


def read_answers(content: bytes) -> tuple[list[Returned], list[Corrected]]:
    """Read a file of returns and corrections. Raises NachaFileError, also for a file of debits."""
    items: list[Item] = []
    reader.read_bytes(content, keep=items)
    returned, corrected = [], []
    for item in items:
        kinds = {addendum[1:3] for addendum in item.addenda}
        if "99" in kinds:
            returned.append(_returned(item))
        elif "98" in kinds:
            corrected.append(_corrected(item))
        else:
            raise NachaFileError(item.line, "this entry is neither a return nor a correction. Choose the file of returns.")
    return returned, corrected


def _returned(item: Item) -> Returned:
    addendum = item.addenda[0]
    reason = cut(ADDENDA_99, addendum, "reason")
    if not re.fullmatch(r"R[0-9]{2}", reason):
        raise NachaFileError(item.line + 1, f"“{reason}” is no return code: it is written R and two digits.")
    died = cut(ADDENDA_99, addendum, "date of death").strip()
    cents = int(cut(ENTRY, item.record, "amount"))
    return Returned(item.line, _trace(item, cut(ADDENDA_99, addendum, "original trace number")), reason, cents, _day(died))


def _corrected(item: Item) -> Corrected:
    addendum = item.addenda[0]
    change = cut(ADDENDA_98, addendum, "change")
    if not re.fullmatch(r"C[0-9]{2}", change):
        raise NachaFileError(item.line + 1, f"“{change}” is no change code: it is written C and two digits.")
    trace, data = _trace(item, cut(ADDENDA_98, addendum, "original trace number")), cut(ADDENDA_98, addendum, "corrected data")
    routing, account, code = _parts(change, data)
    if routing is not None:
        try:
            routing = rules.clean_routing_number(routing)
        except rules.RoutingNumberError as error:
            raise NachaFileError(item.line + 1, f"the corrected routing number cannot be used. {error}") from error
    if account == "":
        raise NachaFileError(item.line + 1, "the corrected account number is empty.")
    if code is not None and code not in {"27", "37"}:
        raise NachaFileError(item.line + 1, "the corrected transaction code is not one of a debit.")
    return Corrected(item.line, trace, change, routing, account, None if code is None else code == "37")


def _parts(change: str, data: str) -> tuple[str | None, str | None, str | None]:
    """Cut corrected data by its change code: routing number, account number, transaction code (Nacha 2013, part 5.3)."""
    match change:
        case "C01":
            return None, data[:17].strip(), None
        case "C02":
            return data[:9], None, None
        case "C03":
            return data[:9], data[12:29].strip(), None
        case "C05":
            return None, None, data[:2]
        case "C06":
            return None, data[:17].strip(), data[20:22]
        case "C07":
            return data[:9], data[9:26].strip(), data[26:28]
        case _:
            return None, None, None


def _trace(item: Item, text: str) -> str:
    if not SHOWN_TRACE.fullmatch(text):
        raise NachaFileError(item.line + 1, "the original trace number is not fifteen digits.")
    return text


def _day(text: str) -> datetime.date | None:
    try:
        return datetime.datetime.strptime(text, "%y%m%d").date() if text else None  # noqa: DTZ007 - a day, without a time
    except ValueError:
        return None
