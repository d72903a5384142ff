"""The slip that goes to the bank with a deposit of cash and checks: a document, made once and kept."""

import datetime
from decimal import Decimal

from django.db import transaction

from billing.models import BankAccount, Deposit, Payment
from rentals.documents import operations as documents
from rentals.documents.models import Document
from rentals.documents.pages import DepositSlipPage, SlipCheque
from rentals.runtime.money import ZERO


class NoSlipError(Exception):
    """Cards and debits reach the bank by themselves, without paper."""

    def __init__(self, deposit: Deposit) -> None:
        super().__init__(f"{deposit.number} reached the bank by itself: there is no slip for it.")


def split(deposit: Deposit) -> tuple[Decimal, list[Payment]]:
    """Return the cash that goes into the bag, and the checks: what was paid back, short or over lies in the cash."""
    cheques = list(
        deposit.payments.filter(method=Payment.Method.CHEQUE).select_related("household").order_by("received_on", "pk")
    )
    return deposit.amount - sum((each.amount for each in cheques), ZERO), cheques


@transaction.atomic
def ask_for_slip(*, deposit: Deposit, now: datetime.datetime) -> Document:
    """Ask for the slip of a deposit of cash and checks. Asked again, the first one stays. Raises NoSlipError.

    Of the account it names the name and the last four digits only.
    """
    if deposit.kind != Deposit.Kind.COUNTER:
        raise NoSlipError(deposit)
    cash, cheques = split(deposit)
    books = deposit.entry.postings.filter(account__is_bank=True).values("account")
    account = BankAccount.objects.filter(books__in=books).first()
    page = DepositSlipPage(
        number=deposit.number,
        deposited_on=deposit.deposited_on,
        account=account.name if account else "",
        last_four=account.last_four if account else "",
        cash=cash,
        cheques=tuple(SlipCheque(each.cheque_number, each.household.name, each.amount) for each in cheques),
        cheque_total=deposit.amount - cash,
        total=deposit.amount,
        made_by=deposit.made_by.name,
    )
    return documents.ask_for_document(
        key=f"deposit/{deposit.pk}/slip",
        kind="deposit_slip",
        about=f"deposit/{deposit.pk}",
        title=f"Deposit slip {deposit.number}",
        page=page,
        now=now,
    )
