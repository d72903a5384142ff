"""Keeping a reconciliation that agrees: who, when, by which balance, and what was outstanding, as it was shown."""

import datetime
from decimal import Decimal
from typing import Any

from django.db import connection, transaction
from django.db.models import Exists, OuterRef

from billing.banking import reconciliation
from billing.banking.reconciliation import Reconciliation
from billing.closing.checks import Found, closing_check
from billing.closing.reports.balances import list_balances
from billing.closing.span import Month
from billing.models import BankAccount, BankLine, BankReconciliation, BankStatement
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User


class DoesNotAgreeError(Exception):
    """Bank and books do not agree, or the figures changed since they were shown. `found` is what they are now."""

    def __init__(self, found: Reconciliation | None) -> None:
        said = "The bank has given no balance for this account yet; type the statement’s."
        if found is not None and found.is_beyond:
            reach = f" reach to {written_day(found.told_to)}" if found.told_to else " gave no balance"
            said = f"The bank’s files{reach}. Take in the rest, or type the balance of the statement of {written_day(found.on)}."
        elif found is not None:
            said = f"The bank says {written(found.bank)}, the books {written(found.books)}: they differ by "
            said += f"{written(found.difference)}, of which {written(found.opening + found.sum_gaps + found.unexplained)} "
            said += "is not explained by what is outstanding."
            if found.parting:
                said += f" They part on {written_day(found.parting.on)}, with {found.parting.what}."
        super().__init__(said)
        self.found = found


@transaction.atomic
def save(
    *, account: BankAccount, on: datetime.date, balance: Decimal | None, acting_user: User, now: datetime.datetime
) -> BankReconciliation:
    """Keep that an account agrees with its books at the end of a day. Outermost.

    `balance` is the statement's as a person typed it, None where the bank's own is used. Raises DoesNotAgreeError.
    """
    with connection.cursor() as cursor:
        # Whoever posts is waited for, as at a closing.
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext('billing.months'))")
    found = reconciliation.reconcile(account, on=on, balance=balance)
    if found is None or not found.agrees:
        raise DoesNotAgreeError(found)
    at_bank, in_books = list_sides(found)
    return BankReconciliation.objects.create(
        account=account,
        on=on,
        told=found.told,
        bank=found.bank,
        books=found.books,
        only_at_bank=sum((Decimal(each["amount"]) for each in at_bank), ZERO),
        only_in_books=sum((Decimal(each["amount"]) for each in in_books), ZERO),
        outstanding=[*at_bank, *in_books],
        saved_at=now,
        saved_by=acting_user,
    )


Thing = dict[str, Any]


def list_sides(found: Reconciliation) -> tuple[list[Thing], list[Thing]]:
    """List what is outstanding, at the bank only and in the books only, oldest first, in the form in which it is kept."""
    at_bank = [_thing(x.posted_on, x.name or x.memo or x.kind, x.amount, "bank", None) for x in found.open_lines]
    in_books = [_thing(x.on, x.title, x.amount, "books", None) for x in found.waiting]
    for each in found.crossings:
        if each.is_at_bank:
            at_bank.append(_thing(each.posted_on, each.title, each.amount, "bank", each.entry_on))
        else:
            in_books.append(_thing(each.entry_on, each.title, each.amount, "books", each.posted_on))
    return sorted(at_bank, key=lambda x: x["on"]), sorted(in_books, key=lambda x: x["on"])


def _thing(on: datetime.date, what: str, amount: Decimal, side: str, met_on: datetime.date | None) -> Thing:
    return {
        "on": on.isoformat(),
        "what": what,
        "amount": str(amount),
        "side": side,
        "met_on": met_on.isoformat() if met_on else "",
    }


def is_still_so(saved: BankReconciliation) -> bool:
    """Tell whether the books still say for that day what they said then."""
    return bool(list_balances(saved.on).get(saved.account.books_id, ZERO) == saved.books)


@closing_check(50, "reconciled", "Each bank account is reconciled", mend="bank_reconcile", label="Reconcile", takes_month=True)
def accounts_are_reconciled(month: Month, today: datetime.date) -> Found:
    """Every account with lines or a statement by the month's end agrees at its last day, and the books still say the same."""
    missing = []
    lines = BankLine.objects.filter(account=OuterRef("pk"), posted_on__lte=month.last_day)
    statements = BankStatement.objects.filter(account=OuterRef("pk"), begins_on__lte=month.last_day)
    for account in BankAccount.objects.filter(Exists(lines) | Exists(statements)).order_by("name"):
        saved = account.reconciliations.filter(on=month.last_day).order_by("-id").first()
        if saved is None:
            missing.append(f"{account}: not yet")
        elif not is_still_so(saved):
            missing.append(f"{account}: the books have changed since")
    return Found(not missing, "; ".join(missing))
