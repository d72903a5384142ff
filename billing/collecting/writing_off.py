"""Writing several debts off at once: each is looked at again under its lock, and what moved on meanwhile is left and named."""

import datetime
import re
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from billing import credits, write_offs
from billing.collecting import is_paused
from billing.models import CreditNote
from rentals.agreements.models import Agreement
from rentals.agreements.moves import MoveNotPossibleError
from rentals.families.models import Household
from rentals.runtime.locks import RowsBusyError, lock_one
from rentals.runtime.money import ZERO
from rentals.staff.models import User
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import require

CODE = re.compile(r"[ha][1-9][0-9]{0,17}")
"""How a debt is named: an account of a household or an agreement, by its key."""
MOST = 100
"""Ticked at once: more than anybody reads."""


class DebtUnknownError(Exception):
    """There is no such household or agreement."""

    def __init__(self, code: str) -> None:
        super().__init__("It is not known here. Load the list again.")
        self.code = code


class ArrangementRunsMeanwhileError(Exception):
    """A promise or a plan was made since the list was read."""

    def __init__(self) -> None:
        super().__init__("A promise or payment plan of this family runs now. Let it end, or withdraw it first.")


REFUSED = (
    DebtUnknownError,
    ArrangementRunsMeanwhileError,
    MoveNotPossibleError,
    write_offs.DebtChangedError,
    write_offs.NothingToWriteOffError,
    write_offs.StillRentingError,
    credits.ReasonMissingError,
    RowsBusyError,
    RequestKeyReusedError,
)
"""Why one debt may be left while the others go through."""


@dataclass(frozen=True)
class Seen:
    """A debt by its code, and the amount that was on the screen."""

    code: str
    amount: Decimal


@dataclass(frozen=True)
class Left:
    """A debt that was not written off, whose it is, and why."""

    code: str
    whose: str
    why: str


@dataclass(frozen=True)
class Outcome:
    """What was written off, and what was left."""

    notes: tuple[CreditNote, ...]
    left: tuple[Left, ...]

    @property
    def amount(self) -> Decimal:
        """All of it together."""
        return sum((note.amount for note in self.notes), ZERO)


def write_off_many(
    *, seen: Sequence[Seen], reason: str, acting_user: User, now: datetime.datetime, request_key: uuid.UUID
) -> Outcome:
    """Write these debts off for one reason, one after the other, each in a transaction of its own.

    Sent again under the same key, what was written off stays so and is told again. Outermost. Raises PermissionDenied.
    """
    notes, left = [], []
    for each in sorted(set(seen), key=lambda debt: (debt.code, debt.amount)):
        try:
            notes.append(_write_off(each, reason, acting_user, now, uuid.uuid5(request_key, each.code)))
        except REFUSED as refused:
            left.append(Left(each.code, _whose(each.code), str(refused)))
    return Outcome(tuple(notes), tuple(left))


@transaction.atomic
def _write_off(debt: Seen, reason: str, acting_user: User, now: datetime.datetime, key: uuid.UUID) -> CreditNote:
    """Look again who acts and how the family stands, then write off; the amount is compared under the same lock."""
    household, agreement = _find(debt.code)
    locked = lock_one(Household.objects.filter(pk=household.pk))
    require(User.objects.get(pk=acting_user.pk), "debts.write_off")
    if is_paused(locked, timezone.localdate(now)):
        raise ArrangementRunsMeanwhileError
    if agreement is None:
        return write_offs.write_off_household(
            household=locked, amount=debt.amount, reason=reason, acting_user=acting_user, now=now, request_key=key
        )
    return write_offs.write_off_agreement(
        agreement=agreement, amount=debt.amount, reason=reason, acting_user=acting_user, now=now, request_key=key
    )


def _find(code: str) -> tuple[Household, Agreement | None]:
    """Return whose debt it is, and of which agreement. Raises DebtUnknownError."""
    if not CODE.fullmatch(code):
        raise DebtUnknownError(code)
    try:
        if code.startswith("h"):
            return Household.objects.get(pk=int(code[1:])), None
        found = Agreement.objects.select_related("household").get(pk=int(code[1:]))
    except (Household.DoesNotExist, Agreement.DoesNotExist):
        raise DebtUnknownError(code) from None
    return found.household, found


def _whose(code: str) -> str:
    try:
        household, agreement = _find(code)
    except DebtUnknownError:
        return "One of those sent"
    return f"{household.name} family, {household.number}" + (f", agreement {agreement.number}" if agreement else "")
