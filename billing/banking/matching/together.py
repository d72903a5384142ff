"""Matching several lines in one act: a deposit that the bank made several lines of, money between two accounts of the shop."""

import datetime
from collections.abc import Sequence
from decimal import Decimal

from django.db import transaction

from billing.banking.matching.making import match_line
from billing.banking.matching.parts import NotOutstandingError, Part, PartsDoNotAddUpError, SameAccountError
from billing.banking.outstanding import list_outstanding
from billing.models import BankLine, BankMatch
from rentals.runtime.locks import lock_rows
from rentals.runtime.money import ZERO
from rentals.staff.models import User


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
def match_between(*, line: BankLine, other: BankLine, how: str, acting_user: User, now: datetime.datetime) -> list[BankMatch]:
    """Match money that moved between two accounts of the shop with its line at each, in one act; undone in one too. Outermost.

    One entry, on the day it left. Raises SameAccountError, PartsDoNotAddUpError when the lines are not one sum with opposite
    signs, and what `match_line` raises; then nothing has happened.
    """
    if line.account_id == other.account_id:
        raise SameAccountError(other.account)
    if other.amount != -line.amount:
        raise PartsDoNotAddUpError(line.amount, -other.amount)
    lock_rows(BankLine.objects.filter(pk__in=[line.pk, other.pk]))
    went, came = sorted([line, other], key=lambda each: each.amount)
    part = Part("own", went.amount, account_id=came.account_id, other_line_id=came.pk)
    (made,) = match_line(line=went, parts=[part], how=how, acting_user=acting_user, now=now)
    there = Part("entry", entry_id=made.entry_id)
    return [made, *match_line(line=came, parts=[there], how=how, acting_user=acting_user, now=now)]
