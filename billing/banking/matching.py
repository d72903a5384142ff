"""Matching a bank line: whole, to the cent, in one act, and undone in one act."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import IntegrityError, transaction

from billing import chart, ledger, payments, returns
from billing.banking import payers
from billing.banking.operations import LineMatchedError
from billing.banking.outstanding import Outstanding, list_outstanding
from billing.models import BankAccount, BankLine, BankMatch, Deposit, JournalEntry, Payment, PaymentReturn
from rentals.families.models import Household
from rentals.runtime.locks import lock_one, lock_rows
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import User

MATCHED_ONCE = {"deposit_matched_once", "payment_matched_once", "entry_matched_once", "bank_match_of_what_stands"}
MISTAKE = "matched by mistake"
AGAINST = {
    "fee": (chart.BANK_FEES, "Bank fee"),
    "difference": (chart.CASH_DIFFERENCES, "Counted otherwise by the bank"),
    "hold": (chart.TO_CLEAR, "To be cleared"),
    "split": (chart.TO_CLEAR, "Part of a deposit in several lines"),
}
_SPLIT = "bank-split/"
UNDO_REASON = "Taken from a bank line by mistake"


@dataclass(frozen=True)
class Part:
    """What a part of a line is. `amount` has the line's sign: money in is positive.

    what: "entry" (something in the books that waits for its line; its own amount counts), "payment" (a new payment of a
    household), "own" (money to or from `account_id`, another account of the shop), "fee" (the bank took it), "difference" (the
    bank counted otherwise), "hold" (not known yet: to the account of what is to be cleared), "split" (the rest of a deposit that
    the bank split over several lines; `entry_id` is the deposit's).
    `made_for_it`: the entry was made in the same act, and is undone with it.
    """

    what: str
    amount: Decimal = ZERO
    entry_id: int | None = None
    household_id: int | None = None
    account_id: int | None = None
    made_for_it: bool = False


class LineLeftOutError(Exception):
    """The line counts for nothing at present."""

    def __init__(self) -> None:
        super().__init__("This line is left out. Take it up again before you match it.")


class PartsDoNotAddUpError(Exception):
    """What was chosen is not the line's amount. `given` is what was chosen."""

    def __init__(self, amount: Decimal, given: Decimal) -> None:
        way = "missing" if (amount - given) * amount > 0 else "too much"
        said = (
            f"What you chose adds up to {written(given)}, the line is {written(amount)}: {written(abs(amount - given))} is {way}."
        )
        super().__init__(said)
        self.amount = amount
        self.given = given


class NothingChosenError(Exception):
    """A match with nothing."""

    def __init__(self) -> None:
        super().__init__("Choose what this line is: tick a deposit or a payment, or write an amount beside what it is.")


class NotOutstandingError(Exception):
    """Something that was chosen is matched with another line meanwhile, or was undone."""

    def __init__(self, titles: Sequence[str]) -> None:
        what = ", ".join(titles) or "What you chose"
        super().__init__(f"{what}: matched with another line meanwhile, or undone. Choose from what is left.")
        self.titles = list(titles)


class PaymentNotPositiveError(Exception):
    """Money that went out cannot be a family's payment."""

    def __init__(self) -> None:
        super().__init__("A payment is money that came in: its amount must be more than zero.")


class SameAccountError(Exception):
    """Money cannot move from an account to itself."""

    def __init__(self, account: BankAccount) -> None:
        super().__init__(f"This line is of {account} itself: choose the other account that the money went to or came from.")
        self.account = account


class OtherSideMatchedError(Exception):
    """Money between two accounts is matched at the other one too."""

    def __init__(self, other: BankLine) -> None:
        where = f"{other.account}, {written_day(other.posted_on, 'short')}"
        super().__init__(f"The other side of this transfer is matched with a line of {where}. Undo that match first.")
        self.other = other


class NotHeldError(Exception):
    """The line is not held, or not as a whole."""

    def __init__(self) -> None:
        super().__init__("This line is not held as a whole: undo its match, then match it anew.")


class NothingToUndoError(Exception):
    """The line is not matched."""

    def __init__(self) -> None:
        super().__init__("This line is not matched any more: somebody has undone it.")


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
        if _constraint(error) not in MATCHED_ONCE:
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
        source=f"{_SPLIT}{part.entry_id}/{line.pk}/{attempt}" if part.what == "split" else f"bank-line/{line.pk}/{attempt}",
        postings=[ledger.Line(line.account.books_id, part.amount), ledger.Line(against, -part.amount)],
        acting_user=acting_user,
        now=now,
    )


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
    """Take back the payment that the bank sent back, and match the line with that. Outermost.

    Raises what `payments.return_payment` and `match_line` raise; then neither has happened.
    """
    lock_one(Household.objects.filter(pk=payment.household_id))
    returned = payments.return_payment(
        payment=payment,
        reason=reason,
        returned_on=ledger.open_day(line.posted_on),
        books=line.account.books_id,
        acting_user=acting_user,
        now=now,
    )
    part = Part("entry", entry_id=returned.entry_id, made_for_it=True)
    return match_line(line=line, parts=[part], how=BankMatch.How.PROPOSED, acting_user=acting_user, now=now)


def is_of_two_at_once(error: IntegrityError) -> bool:
    """Tell whether the database refused because somebody else was faster with the same thing."""
    return _constraint(error) in MATCHED_ONCE


def _constraint(error: IntegrityError) -> str:
    """Return the name of the rule of the database that was broken."""
    return getattr(getattr(error.__cause__, "diag", None), "constraint_name", "") or ""


@transaction.atomic
def match_split(
    *, lines: Sequence[BankLine], entry_id: int, how: str, acting_user: User, now: datetime.datetime
) -> list[BankMatch]:
    """Match one deposit with the several lines that the bank made of it, in one act; undone in one act too. Outermost.

    The first line takes the deposit; what that is more than the line, the others make good on the account of what is to be
    cleared, which so comes to nothing. Raises what `match_line` raises; then nothing has happened.
    """
    rows = sorted(lines, key=lambda line: (-line.amount, line.pk))
    lock_rows(BankLine.objects.filter(pk__in=[line.pk for line in rows]))
    given: Decimal = sum((line.amount for line in rows), ZERO)
    found = list_outstanding(books=[rows[0].account.books_id], entry_ids=[entry_id])
    if not found:
        raise NotOutstandingError([])
    if given != found[0].amount or len({line.account_id for line in rows}) > 1:
        raise PartsDoNotAddUpError(found[0].amount, given)
    first, *others = rows
    parts = [Part("entry", entry_id=entry_id), Part("split", first.amount - given, entry_id=entry_id)]
    matches = match_line(line=first, parts=parts, how=how, acting_user=acting_user, now=now)
    for line in others:
        rest = Part("split", line.amount, entry_id=entry_id)
        matches += match_line(line=line, parts=[rest], how=how, acting_user=acting_user, now=now)
    return matches


@transaction.atomic
def clear_held(*, line: BankLine, parts: Sequence[Part], acting_user: User, now: datetime.datetime) -> list[BankMatch]:
    """Say what a receipt is that was held: what held it is undone, and the line is matched anew, in one act. Outermost.

    Raises NotHeldError, and what `undo_match` and `match_line` raise; then the line stays held.
    """
    line = lock_one(BankLine.objects.filter(pk=line.pk).select_related("account"))
    held = list(BankMatch.objects.filter(line=line, undone_at=None).select_related("entry"))
    if not held or not all(_is_hold(match) for match in held):
        raise NotHeldError
    undo_match(line=line, acting_user=acting_user, now=now)
    return match_line(line=line, parts=parts, how=BankMatch.How.HAND, acting_user=acting_user, now=now)


def _is_hold(match: BankMatch) -> bool:
    if match.entry is None or not match.is_made_for_it or match.entry.source.startswith(_SPLIT):
        return False
    return match.entry.postings.filter(account=chart.TO_CLEAR).exists()


def undo_match(*, line: BankLine, acting_user: User, now: datetime.datetime) -> list[BankMatch]:
    """Undo what a line was matched with: all of it, and what was made from the line is taken back by entries that name it.

    Lines that the bank made of one deposit are undone together.

    A deposit, a payment or a return that was in the books before stands and waits for its line again. Outermost.
    Raises NothingToUndoError, OtherSideMatchedError, RowsBusyError.
    """
    try:
        with transaction.atomic():
            return _undo(line, acting_user, now)
    except IntegrityError as error:
        # Somebody matched the other side of a transfer at the same moment.
        if _constraint(error) != "reversed_entry_is_not_matched":
            raise
        _check_other_side([line.pk])
        raise


def _undo(line: BankLine, acting_user: User, now: datetime.datetime) -> list[BankMatch]:
    lines = [line.pk, *_split_with(line)]
    lock_rows(Household.objects.filter(pk__in=_households_of(line)), BankLine.objects.filter(pk__in=lines))
    in_force = BankMatch.objects.filter(line__in=lines, undone_at=None)
    matches = list(in_force.select_related("payment", "entry__payment_return__payment").order_by("id"))
    if not matches:
        raise NothingToUndoError
    _check_other_side(lines)
    for match in matches:
        match.undone_at, match.undone_by = now, acting_user
        if match.is_made_for_it:
            match.undo_entry = _take_back(match, acting_user, now)
        match.save(update_fields=["undone_at", "undone_by", "undo_entry"])
    payers.unlearn(line=line, matches=matches, acting_user=acting_user, now=now)
    return matches


def _check_other_side(lines: Sequence[int]) -> None:
    """See that what was made for some lines is not matched with a line of another account as well."""
    made = BankMatch.objects.filter(line__in=lines, undone_at=None, is_made_for_it=True, entry__isnull=False).values("entry")
    others = BankMatch.objects.filter(entry__in=made, undone_at=None).exclude(line__in=lines)
    other = others.select_related("line__account").first()
    if other is not None:
        raise OtherSideMatchedError(other.line)


def _split_with(line: BankLine) -> list[int]:
    """The other lines that the bank made of the same deposit."""
    mine = BankMatch.objects.filter(line=line, undone_at=None, entry__source__startswith=_SPLIT)
    source = mine.values_list("entry__source", flat=True).first()
    if source is None:
        return []
    deposit = source.removeprefix(_SPLIT).partition("/")[0]
    same = BankMatch.objects.filter(undone_at=None, entry__source__startswith=f"{_SPLIT}{deposit}/")
    return list(same.exclude(line=line).values_list("line_id", flat=True))


def _households_of(line: BankLine) -> list[int]:
    """Whose payments, and whose returned payments, a line is matched with."""
    matches = BankMatch.objects.filter(line=line, undone_at=None)
    rows = matches.values_list("payment__household", "entry__payment_return__payment__household")
    return sorted({key for row in rows for key in row if key is not None})


def _take_back(match: BankMatch, acting_user: User, now: datetime.datetime) -> JournalEntry | None:
    """Take back what was made for a match, on its own day if that month is open. A payment that came back since is back."""
    if match.entry is not None:
        returned = getattr(match.entry, "payment_return", None)
        if returned is not None:
            return returns.undo_return(payment=returned.payment, reason=MISTAKE, acting_user=acting_user, now=now)
        day = ledger.open_day(match.entry.entry_on)
        return ledger.reverse_entry(entry=match.entry, entry_on=day, reason=MISTAKE, acting_user=acting_user, now=now)
    assert match.payment is not None
    if PaymentReturn.objects.filter(payment=match.payment).exists():
        return None
    day = ledger.open_day(match.payment.received_on)
    returned = payments.return_payment(
        payment=match.payment, reason=UNDO_REASON, returned_on=day, acting_user=acting_user, now=now
    )
    return returned.entry
