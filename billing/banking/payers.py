"""Payers that people have matched with a household: learned when it is confirmed, forgotten when it is undone or contradicted."""

import datetime
from collections.abc import Collection
from dataclasses import dataclass

from django.db import connection
from django.db.models import Q

from billing.models import BankLine, BankMatch, BankPayer
from rentals.staff.models import User


@dataclass(frozen=True)
class Remembered:
    """What is known of some payers: for whom each paid last and when, and which pairs a person has undone."""

    households: dict[str, tuple[int, datetime.date]]
    refused: set[tuple[str, int]]


def recall(payers: Collection[str]) -> Remembered:
    """Recall some payers. One query."""
    rows = BankPayer.objects.filter(payer__in=payers).filter(Q(forgotten_at=None) | Q(is_refused=True)).select_related("line")
    found = list(rows)
    return Remembered(
        {row.payer: (row.household_id, row.line.posted_on) for row in found if row.forgotten_at is None and not row.is_refused},
        {(row.payer, row.household_id) for row in found if row.is_refused},
    )


def learn(*, line: BankLine, household_id: int, acting_user: User, now: datetime.datetime) -> None:
    """Remember that a payer pays for a household, and for no other any more. Inside an operation that has locked the line."""
    _lock(line.payer)
    others = BankPayer.objects.filter(payer=line.payer, forgotten_at=None, is_refused=False).exclude(household_id=household_id)
    others.update(forgotten_at=now, forgotten_by=acting_user)
    BankPayer.objects.update_or_create(
        payer=line.payer,
        household_id=household_id,
        defaults={
            "line": line,
            "learned_at": now,
            "learned_by": acting_user,
            "is_refused": False,
            "forgotten_at": None,
            "forgotten_by": None,
        },
    )


def unlearn(*, line: BankLine, matches: Collection[BankMatch], acting_user: User, now: datetime.datetime) -> None:
    """Forget what a match that is undone had taught; a pair that was matched by itself is refused from now on."""
    households = {match.payment.household_id: match for match in matches if match.payment is not None}
    if not line.payer:
        return
    _lock(line.payer)
    for household_id, match in households.items():
        if match.how == BankMatch.How.CERTAIN:
            _refuse(line, household_id, acting_user, now)
        else:
            row = BankPayer.objects.filter(payer=line.payer, household_id=household_id, forgotten_at=None)
            row.update(forgotten_at=now, forgotten_by=acting_user)


def _lock(payer: str) -> None:
    """Have one person at a time learn about a payer, who may not be there yet. Last of the locks of an operation."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtextextended('bank-payer/' || %s, 0))", [payer])


def _refuse(line: BankLine, household_id: int, acting_user: User, now: datetime.datetime) -> None:
    BankPayer.objects.update_or_create(
        payer=line.payer,
        household_id=household_id,
        defaults={
            "line": line,
            "learned_at": now,
            "learned_by": acting_user,
            "is_refused": True,
            "forgotten_at": now,
            "forgotten_by": acting_user,
        },
    )
