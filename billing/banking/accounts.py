"""The shop's accounts at banks: opening one with its books, naming it, saying which one money goes over."""

from django.db import transaction

from billing import chart
from billing.models import Account, BankAccount
from rentals.runtime.locks import lock_one, lock_rows

BOOKS = [str(code) for code in (*range(1010, 1020), *range(1040, 1100))]
"""Numbers of the chart that stand for accounts at banks, in the order they are given out."""


class AccountNameTakenError(Exception):
    """Two accounts would have the same name."""

    def __init__(self, name: str) -> None:
        super().__init__(f"Another account is called “{name}” already. Choose another name.")
        self.name = name


class NoBooksLeftError(Exception):
    """Every number of the chart that is kept for accounts at banks is in use."""

    def __init__(self) -> None:
        super().__init__(f"The books have room for {len(BOOKS)} bank accounts, and as many are here.")


@transaction.atomic
def open_account(*, name: str, last_four: str, fingerprint: str) -> BankAccount:
    """Make an account with its books: the first has 1010, which is there; a later one gets a number and its own name.

    The first takes the deposits until another one is chosen. Raises AccountNameTakenError, NoBooksLeftError.
    """
    name = " ".join(name.split())
    lock_one(Account.objects.filter(pk=chart.BANK), strength="no_key")
    is_first = not BankAccount.objects.exists()
    if BankAccount.objects.filter(name=name).exists() or (not is_first and Account.objects.filter(name=name).exists()):
        raise AccountNameTakenError(name)
    books = chart.BANK if is_first else _make_books(name)
    return BankAccount.objects.create(
        name=name, last_four=last_four, fingerprint=fingerprint, books_id=books, takes_deposits=is_first
    )


def _make_books(name: str) -> str:
    taken = set(Account.objects.filter(code__in=BOOKS).values_list("code", flat=True))
    code = next((code for code in BOOKS if code not in taken), None)
    if code is None:
        raise NoBooksLeftError
    return Account.objects.create(code=code, name=name, kind=Account.Kind.ASSET, is_bank=True).pk


@transaction.atomic
def choose_for_deposits(*, account: BankAccount) -> BankAccount:
    """Have deposits, transfers and refunds from now on go over this account; what was posted stays where it is. Outermost."""
    rows: list[BankAccount] = lock_rows(BankAccount.objects.all())[0]
    for other in rows:
        if other.takes_deposits and other.pk != account.pk:
            other.takes_deposits = False
            other.save(update_fields=["takes_deposits"])
    chosen = next(row for row in rows if row.pk == account.pk)
    if not chosen.takes_deposits:
        chosen.takes_deposits = True
        chosen.save(update_fields=["takes_deposits"])
    return chosen


@transaction.atomic
def rename_account(*, account: BankAccount, name: str) -> BankAccount:
    """Give an account another name, and its books the same. Outermost. Raises AccountNameTakenError."""
    name = " ".join(name.split())
    account = lock_one(BankAccount.objects.filter(pk=account.pk))
    others = BankAccount.objects.exclude(pk=account.pk).filter(name=name)
    if others.exists() or Account.objects.exclude(pk=account.books_id).filter(name=name).exists():
        raise AccountNameTakenError(name)
    if name != account.name:
        account.name = name
        account.save(update_fields=["name"])
    Account.objects.filter(pk=account.books_id).update(name=name)
    return account
