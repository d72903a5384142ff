"""Matching a line: whole, to the cent, in one act, with what is in the books or what is made from the line."""

import datetime
from collections.abc import Sequence

from django.db import IntegrityError, transaction

from billing import chart, ledger, payments, returned_papers
from billing.banking import payers
from billing.banking.matching.parts import (
    BETWEEN,
    SPLIT,
    LineLeftOutError,
    NothingChosenError,
    NotOutstandingError,
    Part,
    PartsDoNotAddUpError,
    PaymentNotPositiveError,
    SameAccountError,
    is_of_two_at_once,
)
from billing.banking.operations import LineMatchedError
from billing.banking.outstanding import Outstanding, list_outstanding
from billing.models import BankAccount, BankLine, BankMatch, Deposit, JournalEntry, Payment
from rentals.families.models import Household
from rentals.runtime.locks import lock_one, lock_rows
from rentals.runtime.money import ZERO
from rentals.staff.models import User

AGAINST = {
    "fee": (chart.BANK_FEES, "Bank fee"),
    "difference": (chart.CASH_DIFFERENCES, "Counted otherwise by the bank"),
    "hold": (chart.TO_CLEAR, "To be cleared"),
    "split": (chart.TO_CLEAR, "Part of a deposit in several lines"),
}


def match_line(*, line: BankLine, parts: Sequence[Part], how: str, acting_user: User, now: datetime.datetime) -> list[BankMatch]:
    """Match a line with its parts, which add up to it to the cent; make the payments and entries that are not there yet.

    What is new is dated on the bank's day, or on the first open day when that month is closed. Outermost.
    Raises LineMatchedError, LineLeftOutError, NothingChosenError, PartsDoNotAddUpError, NotOutstandingError,
    PaymentNotPositiveError, SameAccountError, RowsBusyError.
    """
    try:
        with transaction.atomic():
            return _match(line=line, parts=parts, how=how, acting_user=acting_user, now=now)
    except IntegrityError as error:
        # Two people matched one entry with two lines at the same moment, or one of them undid it: the database let the first
        # one have it.
        if not is_of_two_at_once(error):
            raise
        raise NotOutstandingError([]) from error


def _match(*, line: BankLine, parts: Sequence[Part], how: str, acting_user: User, now: datetime.datetime) -> list[BankMatch]:
    line = _lock(line, parts)
    chosen = _chosen(line, parts)
    if not parts:
        raise NothingChosenError
    given = sum((x.amount for x in chosen.values()), ZERO) + sum((x.amount for x in parts if x.what != "entry"), ZERO)
    if given != line.amount:
        raise PartsDoNotAddUpError(line.amount, given)
    matches: list[BankMatch] = []
    for part in parts:
        match = BankMatch(
            line=line, books_id=line.account.books_id, amount=part.amount, how=how, made_at=now, made_by=acting_user
        )
        if part.what == "entry":
            _name(match, chosen[part.entry_id or 0])
            match.is_made_for_it = part.made_for_it
        elif part.what == "payment":
            match.payment = _take_payment(line, part, acting_user, now)
            match.is_made_for_it = True
        else:
            match.entry = _post(line, part, len(matches), acting_user, now)
            match.is_made_for_it = True
        matches.append(match)
    made = BankMatch.objects.bulk_create(matches)
    _learn(line, made, how, acting_user, now)
    return made


def _learn(line: BankLine, matches: Sequence[BankMatch], how: str, acting_user: User, now: datetime.datetime) -> None:
    """Remember the payer of a line that a person has matched with one household alone."""
    households = {match.payment.household_id for match in matches if match.payment is not None}
    if how != BankMatch.How.CERTAIN and line.payer and line.amount > 0 and len(households) == 1:
        payers.learn(line=line, household_id=households.pop(), acting_user=acting_user, now=now)


def _lock(line: BankLine, parts: Sequence[Part]) -> BankLine:
    """Lock the households that pay, what is chosen and the line, in the order of the house, and see that the line is free."""
    entries = [part.entry_id for part in parts if part.what == "entry"]
    households = [part.household_id for part in parts if part.household_id is not None]
    *_, lines = lock_rows(
        Household.objects.filter(pk__in=households),
        Payment.objects.filter(entry__in=entries),
        Deposit.objects.filter(entry__in=entries),
        BankLine.objects.filter(pk=line.pk).select_related("account"),
    )
    locked: BankLine = lines[0]
    match = BankMatch.objects.filter(line=locked, undone_at=None).select_related("made_by").first()
    if match is not None:
        raise LineMatchedError(locked, match.made_by.name)
    if locked.left_out_at is not None:
        raise LineLeftOutError
    return locked


def _chosen(line: BankLine, parts: Sequence[Part]) -> dict[int, Outstanding]:
    """Read anew what was chosen from the books, and see that each still waits for its line at the line's account."""
    wanted = {part.entry_id for part in parts if part.what == "entry" and part.entry_id is not None}
    here = list_outstanding(books=[line.account.books_id], entry_ids=sorted(wanted)) if wanted else []
    found = {item.entry_id: item for item in here}
    gone = JournalEntry.objects.filter(pk__in=wanted - set(found))
    if gone:
        raise NotOutstandingError([entry.memo for entry in gone])
    if wanted - set(found):
        raise NotOutstandingError([])
    return found


def _name(match: BankMatch, item: Outstanding) -> None:
    match.amount = item.amount
    match.deposit_id = item.deposit_id
    if item.payment_id is not None:
        match.payment = Payment.objects.get(pk=item.payment_id)
    if item.deposit_id is None and item.payment_id is None:
        match.entry_id = item.entry_id


def _take_payment(line: BankLine, part: Part, acting_user: User, now: datetime.datetime) -> Payment:
    if part.amount <= 0:
        raise PaymentNotPositiveError
    return payments.record_payment(
        household=Household.objects.get(pk=part.household_id or 0),
        method=Payment.Method.TRANSFER,
        amount=part.amount,
        received_on=ledger.open_day(line.posted_on),
        books=line.account.books_id,
        acting_user=acting_user,
        now=now,
    )


def _post(line: BankLine, part: Part, place: int, acting_user: User, now: datetime.datetime) -> JournalEntry:
    """Post a fee, money between accounts, or what is to be cleared. The source tells attempts apart: undone, then made anew."""
    against, memo = _against(line, part)
    attempt = BankMatch.objects.filter(line=line).count() + place
    return ledger.post_entry(
        entry_on=ledger.open_day(line.posted_on),
        kind=JournalEntry.Kind.BANK,
        memo=memo,
        source=f"{_source(part)}{line.pk}/{attempt}",
        postings=[ledger.Line(line.account.books_id, part.amount), ledger.Line(against, -part.amount)],
        acting_user=acting_user,
        now=now,
    )


def _source(part: Part) -> str:
    """How the source of an entry begins: it names the lines that are undone together."""
    if part.what == "split":
        return f"{SPLIT}{part.entry_id}/"
    return f"{BETWEEN}{part.other_line_id}/" if part.other_line_id else "bank-line/"


def _against(line: BankLine, part: Part) -> tuple[str, str]:
    """Return the other account of an entry made for a line, and what to call it."""
    told = line.name or line.memo or line.kind
    if part.what == "own":
        other = BankAccount.objects.get(pk=part.account_id or 0)
        if other == line.account:
            raise SameAccountError(other)
        return other.books_id, f"From {other} to {line.account}" if part.amount > 0 else f"From {line.account} to {other}"
    account, what = AGAINST[part.what]
    return account, f"{what}: {told}"


@transaction.atomic
def match_returned(
    *, line: BankLine, payment: Payment, reason: str, acting_user: User, now: datetime.datetime
) -> list[BankMatch]:
    """Take back the payment that the bank sent back, write to the family, and match the line with that. Outermost.

    Raises what `payments.return_payment` and `match_line` raise; then neither has happened.
    """
    lock_one(Household.objects.filter(pk=payment.household_id))
    returned = returned_papers.return_and_tell(
        payment=payment,
        reason=reason,
        returned_on=ledger.open_day(line.posted_on),
        books=line.account.books_id,
        acting_user=acting_user,
        now=now,
    )
    part = Part("entry", entry_id=returned.entry_id, made_for_it=True)
    return match_line(line=line, parts=[part], how=BankMatch.How.PROPOSED, acting_user=acting_user, now=now)
