"""A bank's file on its way in: what is kept of it, and by what an account is known again without keeping its number.

The fingerprint is an HMAC under the office's secret key: whoever has only the database cannot try account numbers out. When the
key is changed, its fallbacks still know an account; without them the account is named once more, by choosing the one it was.
"""

import datetime
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.db.models import Q
from django.utils.crypto import salted_hmac

from billing.banking.readers import FoundAccount, FoundFile, FoundLine
from billing.banking.readers.found import made_up
from billing.banking.rules import payer_of
from billing.models import BankAccount

SALT = "billing.bank_account"


@dataclass(frozen=True)
class FileLine:
    """One line as it will be taken in."""

    reference: str
    kind: str
    posted_on: datetime.date
    amount: Decimal
    name: str
    memo: str
    cheque_number: str

    @property
    def payer(self) -> str:
        """The words of the name, to know a payer again."""
        return payer_of(self.name)

    @property
    def other_reference(self) -> str:
        """By what it is known where the bank gave its id to another line too: what it says, with that id."""
        said = [self.posted_on.isoformat(), str(self.amount), self.name, self.memo, self.cheque_number, self.kind, self.reference]
        return made_up("|".join(said), 1)

    @property
    def alike(self) -> tuple[datetime.date, Decimal]:
        """What two tellings of one transaction have in common whatever the bank calls them."""
        return (self.posted_on, self.amount)


@dataclass(frozen=True)
class FileAccount:
    """One account of a file. `fingerprints`: under the present key first, then under earlier ones."""

    fingerprints: tuple[str, ...]
    last_four: str
    kind: str
    begins_on: datetime.date | None
    ends_on: datetime.date | None
    opening: Decimal | None
    balance: Decimal | None
    balance_on: datetime.date | None
    lines: tuple[FileLine, ...]


def sha256(content: bytes) -> str:
    """Return by what a file is known again."""
    return hashlib.sha256(content).hexdigest()


def fingerprints(bank_id: str, account_id: str) -> tuple[str, ...]:
    """Return the fingerprint of an account's number under each secret key, the present one first."""
    number = re.sub(r"\W", "", bank_id).upper() + "/" + re.sub(r"\W", "", account_id).upper()
    keys = [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]
    return tuple(salted_hmac(SALT, number, secret=key, algorithm="sha256").hexdigest() for key in keys)


def as_contents(found: FoundFile, *, account: BankAccount | None = None) -> dict[str, Any]:
    """Write down what was read, for the database, without the account numbers.

    `account`: of which account a list is that does not say so itself.
    """
    accounts = [_account_contents(each) for each in found.accounts]
    if account is not None:
        accounts = [{**each, "fingerprints": [account.fingerprint], "last_four": account.last_four} for each in accounts]
    return {"spelling": found.spelling, "notes": list(found.notes), "accounts": accounts}


def _account_contents(account: FoundAccount) -> dict[str, Any]:
    return {
        "fingerprints": fingerprints(account.bank_id, account.account_id),
        "last_four": account.account_id[-4:],
        "kind": account.kind,
        "begins_on": _written(account.begins_on),
        "ends_on": _written(account.ends_on),
        "opening": _written(account.opening),
        "balance": _written(account.balance),
        "balance_on": _written(account.balance_on),
        "lines": [_line_contents(line, account.account_id) for line in account.lines],
    }


def _line_contents(line: FoundLine, account_id: str) -> list[str]:
    hidden = f"…{account_id[-4:]}"
    texts = [line.name, line.memo]
    if len(account_id) > 4:
        texts = [text.replace(account_id, hidden) for text in texts]
    return [line.reference, line.kind, line.posted_on.isoformat(), str(line.amount), *texts, line.cheque_number]


def _written(value: datetime.date | Decimal | None) -> str | None:
    return None if value is None else str(value)


def accounts_of(contents: dict[str, Any]) -> list[FileAccount]:
    """Read back what was written down."""
    return [
        FileAccount(
            fingerprints=tuple(account["fingerprints"]),
            last_four=account["last_four"],
            kind=account["kind"],
            begins_on=_day(account["begins_on"]),
            ends_on=_day(account["ends_on"]),
            opening=_amount(account.get("opening")),
            balance=_amount(account["balance"]),
            balance_on=_day(account["balance_on"]),
            lines=tuple(_line(line) for line in account["lines"]),
        )
        for account in contents["accounts"]
    ]


def find_account(fingerprints: Sequence[str]) -> BankAccount | None:
    """Find the account that a file names, by any way in which it was named before."""
    named = Q(fingerprint__in=fingerprints) | Q(keys__fingerprint__in=fingerprints)
    return BankAccount.objects.filter(named).order_by("pk").first()


def _amount(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def _day(text: str | None) -> datetime.date | None:
    return None if text is None else datetime.date.fromisoformat(text)


def _line(written: list[str]) -> FileLine:
    reference, kind, posted_on, amount, name, memo, cheque_number = written
    return FileLine(reference, kind, datetime.date.fromisoformat(posted_on), Decimal(amount), name, memo, cheque_number)
