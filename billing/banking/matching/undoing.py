"""Undoing a match in one act, and saying later what a receipt is that was held."""

import datetime
from collections.abc import Sequence

from django.db import IntegrityError, transaction
from django.db.models import Q

from billing import chart, ledger, payments, returns
from billing.banking import payers
from billing.banking.matching.making import match_line
from billing.banking.matching.parts import (
    BETWEEN,
    SPLIT,
    NotHeldError,
    NothingToUndoError,
    OtherSideMatchedError,
    Part,
    broken_rule,
)
from billing.models import BankLine, BankMatch, JournalEntry, PaymentReturn
from rentals.families.models import Household
from rentals.runtime.locks import lock_one, lock_rows
from rentals.staff.models import User

MISTAKE = "matched by mistake"
UNDO_REASON = "Taken from a bank line by mistake"


def undo_match(*, line: BankLine, acting_user: User, now: datetime.datetime) -> list[BankMatch]:
    """Undo what a line was matched with: all of it, and what was made from the line is taken back by entries that name it.

    Lines that were matched in one act are undone in one: those that the bank made of one deposit, both sides of a transfer.

    A deposit, a payment or a return that was in the books before stands and waits for its line again. Outermost.
    Raises NothingToUndoError, OtherSideMatchedError, RowsBusyError.
    """
    try:
        with transaction.atomic():
            return _undo(line, acting_user, now)
    except IntegrityError as error:
        # Somebody matched the other side of a transfer at the same moment.
        if broken_rule(error) != "reversed_entry_is_not_matched":
            raise
        _check_other_side([line.pk])
        raise


def _undo(line: BankLine, acting_user: User, now: datetime.datetime) -> list[BankMatch]:
    lines = [line.pk, *_matched_with(line)]
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


def _matched_with(line: BankLine) -> list[int]:
    """The other lines that were matched in the same act: of one deposit, or of money between two accounts."""
    in_force = BankMatch.objects.filter(undone_at=None)
    mine = in_force.filter(Q(entry__source__startswith=SPLIT) | Q(entry__source__startswith=BETWEEN), line=line)
    match = mine.select_related("entry").first()
    if match is None or match.entry is None:
        return []
    same = in_force.filter(entry=match.entry)
    if match.entry.source.startswith(SPLIT):
        deposit = match.entry.source.removeprefix(SPLIT).partition("/")[0]
        same = in_force.filter(entry__source__startswith=f"{SPLIT}{deposit}/")
    return list(same.exclude(line=line).values_list("line_id", flat=True))


def _households_of(line: BankLine) -> list[int]:
    """Whose payments, and whose returned payments, a line is matched with."""
    matches = BankMatch.objects.filter(line=line, undone_at=None)
    rows = matches.values_list("payment__household", "entry__payment_return__payment__household")
    return sorted({key for row in rows for key in row if key is not None})


def _take_back(match: BankMatch, acting_user: User, now: datetime.datetime) -> JournalEntry | None:
    """Take back what was made for a match, on its own day if that month is open. A payment that came back since is back.

    A return of which the bank's file of returns tells too, or a payout, is true whatever this line is: it waits for its own.
    """
    if match.entry is not None:
        returned = getattr(match.entry, "payment_return", None)
        if returned is not None and returns.is_told_elsewhere(returned):
            return None
        if returned is not None:
            return returns.undo_return(payment=returned.of, reason=MISTAKE, acting_user=acting_user, now=now)
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
    if match.entry is None or not match.is_made_for_it or match.entry.source.startswith(SPLIT):
        return False
    return match.entry.postings.filter(account=chart.TO_CLEAR).exists()
