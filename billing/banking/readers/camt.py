"""Our reader of bank statements in ISO 20022 (camt.053), versions 02 to 12 of the message.

After the ISO 20022 message definition "BankToCustomerStatement" (iso20022.org, camt.053.001.02 to .12). The sign of an entry is
its CdtDbtInd alone: RvslInd only says that it undoes another one. One line is one entry, as the bank booked it; where an entry
is a batch, its transactions are told in the memo. What is pending or announced is left out, and said.
"""

import datetime
import re
from decimal import Decimal
from typing import NoReturn

from billing.banking.readers.found import (
    AGAIN,
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
from billing.banking.readers.markup import Node, read_xml

MESSAGE = re.compile(r"camt\.(\d{3})\.001\.(\d{2})$")
VERSIONS = range(2, 13)
OTHERS = {
    "052": "an account report of the running day (camt.052): what it tells is not final",
    "054": "a notice of single bookings (camt.054), not a statement",
}
CHOOSE_STATEMENT = "In the bank’s online pages choose the statement, camt.053, and download again."
OPENING, CLOSING = ("OPBD", "PRCD"), ("CLBD",)
NO_REFERENCE = {"NOTPROVIDED", "NONREF", "NOTAVAILABLE"}


def is_camt(start: bytes) -> bool:
    """Tell by the first bytes of a file whether it is an ISO 20022 message."""
    return b"iso:20022" in start[:4000] or b"<BkToCstmr" in start[:4000]


def read_camt(content: bytes, *, currency: str) -> FoundFile:
    """Read a whole file. Raises BankFileError with the line and the reason; nothing of a refused file is kept."""
    document = next((node for node in read_xml(content).walk() if node.name == "Document"), None)
    if document is None:
        raise BankFileError(1, "The file holds no <Document> element.")
    _check_message(document)
    statements = [node for node in document.walk() if node.name == "Stmt"]
    if not statements:
        raise BankFileError(document.line, "The message holds no statement (<Stmt>).", CHOOSE_STATEMENT)
    notes: list[str] = []
    return as_file("camt.053", [_account(node, currency, notes) for node in statements], notes)


def _refuse(node: Node, reason: str, advice: str = AGAIN) -> NoReturn:
    raise BankFileError(node.line, reason, advice)


def _check_message(document: Node) -> None:
    """See by its namespace that the message is a statement of a version that is known here."""
    spaces = [value for name, value in document.attributes.items() if name.startswith("xmlns")]
    found = next((found for space in spaces if (found := MESSAGE.search(space))), None)
    if found is None:
        _refuse(document, "The message does not say by its namespace that it is camt.053.", CHOOSE_STATEMENT)
    if found[1] in OTHERS:
        _refuse(document, f"The file is {OTHERS[found[1]]}.", CHOOSE_STATEMENT)
    if found[1] != "053":
        _refuse(document, f"The file is a message of another kind (camt.{found[1]}).", CHOOSE_STATEMENT)
    if int(found[2]) not in VERSIONS:
        _refuse(document, f"Version {found[2]} of camt.053 is not known here; 02 to 12 are.", CHOOSE_STATEMENT)


def _account(statement: Node, currency: str, notes: list[str]) -> FoundAccount:
    account = statement.first("Acct")
    number = account and (account.said("Id/IBAN") or account.said("Id/Othr/Id"))
    if account is None or not number:
        _refuse(account or statement, "The statement does not say of which account it is.")
    kept_in = account.text("Ccy") or currency
    if kept_in != currency:
        _refuse(account, f"The account is kept in {kept_in[:12]}, the books in {currency}.", f"Choose the account in {currency}.")
    lines = _lines(statement, currency, notes)
    days = [line.posted_on for line in lines]
    opening, _opened_on = _balance(statement, OPENING, currency)
    balance, balance_on = _balance(statement, CLOSING, currency)
    return FoundAccount(
        bank_id=account.said("Svcr/FinInstnId/ClrSysMmbId/MmbId"),
        account_id=number,
        kind=account.said("Tp/Cd").lower(),
        begins_on=_day_at(statement, "FrToDt/FrDtTm") or min(days, default=None),
        ends_on=_day_at(statement, "FrToDt/ToDtTm") or max(days, default=balance_on),
        balance=balance,
        balance_on=balance_on,
        lines=tuple(without_nothing(lines, notes)),
        line=statement.line,
        opening=opening,
    )


def _balance(statement: Node, codes: tuple[str, ...], currency: str) -> tuple[Decimal | None, datetime.date | None]:
    """Return a balance and its day: of the kinds asked for the first that is there; of several of one kind the latest."""
    for code in codes:
        found = [node for node in statement.all("Bal") if node.said("Tp/CdOrPrtry/Cd") == code]
        dated = sorted(((_day(node, "Dt"), _signed(node, currency)) for node in found), key=lambda row: row[0])
        if dated:
            return dated[-1][1], dated[-1][0]
    return None, None


def _lines(statement: Node, currency: str, notes: list[str]) -> list[FoundLine]:
    lines, waiting = [], 0
    for entry in statement.all("Ntry"):
        state = entry.said("Sts/Cd") or entry.said("Sts/Prtry") or entry.text("Sts")
        if state == "BOOK":
            lines.append(_line(entry, currency, notes))
        elif state in {"PDNG", "INFO", "FUTR"}:
            waiting += 1
        else:
            _refuse(
                entry.first("Sts") or entry,
                f"“{words(state, 20)}” is no state of an entry that is known here (BOOK, PDNG, INFO).",
            )
    if waiting:
        notes.append(f"{waiting} entr{'y is' if waiting == 1 else 'ies are'} pending or only announced and left out.")
    return lines


def _line(entry: Node, currency: str, notes: list[str]) -> FoundLine:
    details = [node for some in entry.all("NtryDtls") for node in some.all("TxDtls")]
    only = details[0] if len(details) == 1 else None
    amount = _signed(entry, currency)
    if details and not _adds_up(amount, details, currency):
        notes.append(f"The transactions of the batch at line {entry.line} do not add up to it; the bank’s own amount counts.")
    name, memo = _texts(entry, details, amount)
    return FoundLine(
        reference=_reference(entry, only),
        kind=_kind(entry, only, amount),
        posted_on=_day(entry, "BookgDt") if entry.first("BookgDt") else _day(entry, "ValDt"),
        amount=amount,
        name=name,
        memo=memo,
        cheque_number=words(only.said("Refs/ChqNb"), 20) if only else "",
        line=entry.line,
    )


def _reference(entry: Node, only: Node | None) -> str:
    """Return the bank's own id. What the payer wrote (EndToEndId) may come again and is none; nor is a number in the file."""
    given = entry.text("AcctSvcrRef") or (only.said("Refs/AcctSvcrRef") if only else "")
    return "" if given.upper() in NO_REFERENCE else words(given, 255)


def _kind(entry: Node, only: Node | None, amount: Decimal) -> str:
    code = (
        f"{entry.said('BkTxCd/Domn/Fmly/SubFmlyCd')} {entry.said('BkTxCd/Domn/Fmly/Cd')} {entry.said('BkTxCd/Prtry/Cd')}".upper()
    )
    if re.search(r"\b(FEES|CHRG|FEE|COMM)\b", code):
        return "fee"
    if only is not None and only.said("Refs/ChqNb"):
        return "check"
    return "credit" if amount > 0 else "debit"


def _texts(entry: Node, details: list[Node], amount: Decimal) -> tuple[str, str]:
    """Return who and what: the other side's name and what it wrote; of a batch, how many and the first names."""
    told = entry.text("AddtlNtryInf")
    if len(details) > 1:
        names = [name for node in details if (name := _party(node, amount))]
        return words(told or f"{len(details)} together", 120), words("; ".join([f"{len(details)} transactions", *names]), 255)
    only = details[0] if details else None
    party = _party(only, amount) if only else ""
    wrote = _remittance(only) if only else ""
    name = party or told or wrote
    rest = [text for text in (wrote, told if party else "", only.text("AddtlTxInf") if only else "", _why(only)) if text]
    end_to_end = only.said("Refs/EndToEndId") if only else ""
    if end_to_end and end_to_end.upper() not in NO_REFERENCE:
        rest.append(end_to_end)
    return words(name, 120), words(" ".join(text for text in dict.fromkeys(rest) if text != name), 255)


def _party(details: Node, amount: Decimal) -> str:
    """Return the name of who paid money in, or of who got money out."""
    side = "Dbtr" if amount > 0 else "Cdtr"
    return words(details.said(f"RltdPties/{side}/Pty/Nm") or details.said(f"RltdPties/{side}/Nm"), 120)


def _remittance(details: Node) -> str:
    given = details.first("RmtInf")
    if given is None:
        return ""
    free = [node.value for node in given.all("Ustrd")]
    return " ".join(free + [text for node in given.all("Strd") if (text := node.said("CdtrRefInf/Ref"))])


def _why(details: Node | None) -> str:
    """Return why a payment came back, where the bank says it."""
    if details is None:
        return ""
    return " ".join(text for text in (details.said("RtrInf/Rsn/Cd"), details.said("RtrInf/AddtlInf")) if text)


def _adds_up(amount: Decimal, details: list[Node], currency: str) -> bool:
    """Tell whether the transactions add up to the entry; those without an amount of their own say nothing against it."""
    total = Decimal(0)
    for node in details:
        given = node if node.first("Amt") else node.at("AmtDtls/TxAmt")
        if given is None or given.first("Amt") is None or (given.at("Amt") or given).attributes.get("Ccy", currency) != currency:
            return True
        value = _amount(given, currency)
        side = node.text("CdtDbtInd")
        total += (value if side == "CRDT" else -value) if side else value.copy_sign(amount)
    return total == amount


def _signed(node: Node, currency: str) -> Decimal:
    amount, side = _amount(node, currency), node.text("CdtDbtInd")
    if side not in {"CRDT", "DBIT"}:
        _refuse(node, f"<{node.name}> does not say whether money came in or went out (<CdtDbtInd> is CRDT or DBIT).")
    return amount if side == "CRDT" else -amount


def _amount(node: Node, currency: str) -> Decimal:
    leaf = node.first("Amt")
    if leaf is None or not leaf.value:
        _refuse(leaf or node, f"<{node.name}> has no amount (<Amt> is missing).")
    given = leaf.attributes.get("Ccy", "")
    if given != currency:
        _refuse(
            leaf, f"This amount is in “{given[:12]}”, the books are kept in {currency}.", f"Choose the account in {currency}."
        )
    if not re.fullmatch(r"\d{1,18}(\.\d{0,5})?|\.\d{1,5}", leaf.value, re.ASCII):
        advice = "Amounts are written like 1250.50, without a sign, with nothing between the thousands. " + AGAIN
        _refuse(leaf, f"“{leaf.value[:40]}” is not an amount.", advice)
    return in_cents(Decimal(leaf.value), leaf.value, leaf.line, AGAIN)


def _day(node: Node, name: str) -> datetime.date:
    """Read a day, written alone or with the time: the calendar day as the bank wrote it, whatever time zone stands behind it."""
    given = node.first(name)
    text = given and (given.text("Dt") or given.text("DtTm") or given.value)
    day = _as_day(text or "")
    if day is None:
        said = f"“{words(text, 40)}” is not a day." if text else f"<{node.name}> has no day (<{name}> is missing)."
        _refuse(given or node, said, "Days are written like 2026-11-24. " + AGAIN)
    return day


def _day_at(node: Node, path: str) -> datetime.date | None:
    return _as_day(node.said(path))


def _as_day(text: str) -> datetime.date | None:
    found = re.match(r"(\d{4})-(\d{2})-(\d{2})(?:$|T|Z|[+-]\d{2}:\d{2}$)", text, re.ASCII)
    return day_of(int(found[1]), int(found[2]), int(found[3])) if found else None
