"""Lists in CSV: what their columns mean is told once by a person, and remembered for the account."""

import datetime
import secrets
from dataclasses import dataclass
from typing import Any

from cryptography.fernet import InvalidToken
from django.conf import settings
from django.db import transaction

from billing.banking import accounts, files, readers
from billing.banking.readers import BankFileError, Mapping, Sheet
from billing.models import BankAccount, BankFile, BankLayout
from rentals.runtime.locks import lock_one
from rentals.staff.models import User
from rentals.staff.sign_in import seal


class ColumnsNotToldError(Exception):
    """A list is to be taken in before anybody said what its columns mean."""

    def __init__(self) -> None:
        super().__init__("Say first what the columns of this list mean.")


class SealLostError(Exception):
    """The bytes of a list cannot be opened any more: the office's secret key was changed since."""

    def __init__(self) -> None:
        super().__init__("This list cannot be opened any more. Choose the file once more.")


@dataclass(frozen=True)
class WhoseList:
    """Of which account a list is: one that is here, or a new one by its name and last four digits."""

    account_id: int | None = None
    name: str = ""
    last_four: str = ""


def open_sheet(file: BankFile, *, spelling: str = "", delimiter: str = "") -> Sheet:
    """Return a list as it stands in its file, read as a person said it is written. Raises SealLostError, BankFileError."""
    return readers.read_sheet(_bytes(file), spelling=spelling, delimiter=delimiter)


def _bytes(file: BankFile) -> bytes:
    if file.sealed is None:
        raise SealLostError
    try:
        return seal().decrypt(bytes(file.sealed))
    except InvalidToken as error:
        raise SealLostError from error


def read_as_before(sheet: Sheet, content: bytes) -> dict[str, Any]:
    """Read a list by the columns told before, where one account alone has such lists; {} where a person is to say.

    `sheet`: the list as it is guessed to be written; `content`: its bytes, for where that was told otherwise.
    """
    layouts = list(BankLayout.objects.filter(signature=sheet.signature).select_related("account")[:2])
    if len(layouts) != 1:
        return {}
    try:
        found = readers.read(content, currency=settings.CURRENCY, mapping=Mapping.of_contents(layouts[0].columns))
    except BankFileError:
        return {}  # the page of the columns shows what does not fit
    return files.as_contents(found, account=layouts[0].account)


def find_layout(sheet: Sheet, account: BankAccount | None = None) -> BankLayout | None:
    """Return what was told of the columns of such a list last: for this account, else for any. `sheet`: as it is guessed."""
    layouts = BankLayout.objects.filter(signature=sheet.signature).select_related("account").order_by("-made_at", "-pk")
    of_account: BankLayout | None = layouts.filter(account=account).first() if account else None
    return of_account or layouts.first()


@transaction.atomic
def tell_columns(*, file: BankFile, whose: WhoseList, mapping: Mapping, acting_user: User, now: datetime.datetime) -> BankFile:
    """Read a list by its columns, keep what it says to be looked at, and remember the columns for the account.

    Outermost. Raises BankFileError with the line where the columns do not fit, SealLostError, accounts.AccountNameTakenError,
    accounts.NoBooksLeftError; then nothing is kept or remembered.
    """
    file = lock_one(BankFile.objects.filter(pk=file.pk))
    if file.taken_at is not None:
        return file
    content = _bytes(file)
    sheet = readers.read_sheet(content)
    found = readers.read(content, currency=settings.CURRENCY, mapping=mapping)
    account = _account(whose)
    BankLayout.objects.update_or_create(
        account=account,
        signature=sheet.signature,
        defaults={"columns": mapping.as_contents(), "made_at": now, "made_by": acting_user},
    )
    file.contents = files.as_contents(found, account=account)
    file.save(update_fields=["contents"])
    return file


def _account(whose: WhoseList) -> BankAccount:
    """Return the account of a list. A new one has no number that a file could name; the next file that does is asked about."""
    if whose.account_id is not None:
        return BankAccount.objects.get(pk=whose.account_id)
    return accounts.open_account(name=whose.name, last_four=whose.last_four, fingerprint=secrets.token_hex(32))


@transaction.atomic
def throw_away(*, file: BankFile) -> bool:
    """Throw a file away that was looked at and not taken in. Outermost. Returns whether it was; what is taken in stays."""
    locked = BankFile.objects.select_for_update().filter(pk=file.pk, taken_at=None).first()
    if locked is None:
        return False
    locked.delete()
    return True
