"""Which accounts of the ledger stand for accounts at a bank, and which of them money goes to.

Each account at a bank has one account of the ledger, its books: the first 1010, later ones the next free numbers after it.
"""

from django.db.models import Q

from billing import chart
from billing.models import Account, BankAccount, Payment, Posting


def list_books() -> list[str]:
    """List the accounts of the ledger that stand for accounts at a bank."""
    return list(Account.objects.filter(is_bank=True).order_by("code").values_list("code", flat=True))


def deposit_books() -> str:
    """Return the account of the ledger that deposits, transfers and refunds go over: 1010 until a person chose another."""
    return BankAccount.objects.filter(takes_deposits=True).values_list("books_id", flat=True).first() or chart.BANK


def books_of_payment(payment: Payment) -> str | None:
    """Return the bank's account in the ledger that the money of a payment reached, by itself or in its deposit, if it did."""
    entry = Q(entry=payment.entry_id) if payment.deposit_id is None else Q(entry__deposit=payment.deposit_id)
    reached = Posting.objects.filter(entry, account__is_bank=True, amount__gt=0)
    code: str | None = reached.values_list("account_id", flat=True).first()
    return code
