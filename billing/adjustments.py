"""Adjustments: a change to what a household owes, asked for with a reason and, above the office's limit, decided by another."""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet, Sum
from django.utils import timezone

from billing import charges, credits, ledger
from billing.models import Adjustment, CreditNote
from rentals.agreements import life
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written
from rentals.staff.models import Office, User
from rentals.staff.operations import claim_request, keep_answer
from rentals.staff.policy import require


class AdjustmentDecidedError(Exception):
    """Somebody decided before."""

    def __init__(self, adjustment: Adjustment) -> None:
        who = adjustment.decided_by.name if adjustment.decided_by else "somebody"
        super().__init__(f"This adjustment was {adjustment.state} by {who} already. Look at the family's account.")
        self.adjustment = adjustment


class OwnAdjustmentError(Exception):
    """Nobody approves what he asked for himself."""

    def __init__(self, adjustment: Adjustment) -> None:
        super().__init__(
            f"You asked for this adjustment of {written(adjustment.amount)} yourself: another manager has to decide on it."
        )
        self.adjustment = adjustment


class NotOfThisHouseholdError(Exception):
    """The agreement belongs to another family."""

    def __init__(self, agreement: Agreement, household: Household) -> None:
        super().__init__(f"Agreement {agreement.number} is not one of household {household.number}.")
        self.agreement, self.household = agreement, household


@dataclass(frozen=True)
class AdjustmentAsked:
    """What somebody asks for. direction: "less" or "more" owed; `agreement` when it is about one."""

    household: Household
    agreement: Agreement | None
    direction: str
    amount: Decimal
    reason: str


def approval_limit() -> Decimal:
    """Return up to which amount, included, an adjustment needs nobody else; zero while no office is written down."""
    limit = Office.objects.values_list("approval_limit", flat=True).first()
    return ZERO if limit is None else limit


@transaction.atomic
def ask_for_adjustment(
    *, asked: AdjustmentAsked, acting_user: User, now: datetime.datetime, request_key: UUID | None = None
) -> Adjustment:
    """Ask for an adjustment; at or below the office's limit it is granted at once, above it waits for another person.

    What the household was granted without approval on the same day counts toward the limit. Outermost. Sent again with the
    same `request_key` it returns the first one. Raises AmountNotPositiveError, ReasonMissingError, NotOfThisHouseholdError,
    MoveNotPossibleError, RequestKeyReusedError.
    """
    if asked.amount <= 0:
        raise credits.AmountNotPositiveError
    if not asked.reason.strip():
        raise credits.ReasonMissingError
    if request_key is not None:
        request: dict[str, Any] = {"household": asked.household.pk, "agreement": asked.agreement and asked.agreement.pk}
        request |= {"direction": asked.direction, "amount": asked.amount, "reason": asked.reason}
        answer = claim_request(key=request_key, purpose="adjustment", request=request, acting_user=acting_user)
        if answer is not None:
            return Adjustment.objects.get(pk=answer["adjustment"])
    household = lock_one(Household.objects.filter(pk=asked.household.pk))
    if asked.agreement is not None:
        _check_agreement(asked.agreement, household)
    adjustment = Adjustment.objects.create(
        household=household,
        agreement=asked.agreement,
        direction=asked.direction,
        amount=asked.amount,
        reason=asked.reason.strip(),
        needs_approval=asked.amount + _granted_alone_today(asked, now) > approval_limit(),
        asked_at=now,
        asked_by=acting_user,
    )
    if not adjustment.needs_approval:
        _grant(adjustment, note="", acting_user=acting_user, now=now)
    if request_key is not None:
        keep_answer(key=request_key, answer={"adjustment": adjustment.pk})
    return adjustment


def _granted_alone_today(asked: AdjustmentAsked, now: datetime.datetime) -> Decimal:
    """What the household got without approval today, in the same direction: a limit that can be cut into pieces is none."""
    alone = Adjustment.objects.filter(
        household=asked.household,
        direction=asked.direction,
        state=Adjustment.State.GRANTED,
        needs_approval=False,
        decided_at__date=timezone.localdate(now),
    )
    return Decimal(alone.aggregate(sum=Sum("amount"))["sum"] or ZERO)


@transaction.atomic
def decide_adjustment(
    *, adjustment: Adjustment, is_granted: bool, note: str, acting_user: User, now: datetime.datetime
) -> Adjustment:
    """Grant or refuse an adjustment that waits; a refusal says why. Granted, it is posted today.

    Outermost. Raises PermissionDenied, AdjustmentDecidedError, OwnAdjustmentError, ReasonMissingError, MoveNotPossibleError.
    """
    require(acting_user, "adjustments.approve")
    household = lock_one(Household.objects.filter(pk=adjustment.household_id))
    adjustment = lock_one(Adjustment.objects.filter(pk=adjustment.pk))
    if adjustment.state != Adjustment.State.ASKED:
        raise AdjustmentDecidedError(adjustment)
    if adjustment.asked_by_id == acting_user.pk:
        raise OwnAdjustmentError(adjustment)
    if is_granted:
        if adjustment.agreement is not None:
            _check_agreement(adjustment.agreement, household)
        _grant(adjustment, note=note, acting_user=acting_user, now=now)
        return adjustment
    if not note.strip():
        raise credits.ReasonMissingError
    _decide(adjustment, Adjustment.State.REFUSED, note, acting_user, now)
    return adjustment


def list_waiting() -> QuerySet[Adjustment]:
    """List what waits for somebody's decision, the longest waiting first."""
    waiting = Adjustment.objects.filter(state=Adjustment.State.ASKED)
    return waiting.select_related("household", "agreement", "asked_by").order_by("asked_at", "pk")


def _check_agreement(agreement: Agreement, household: Household) -> None:
    locked = lock_one(Agreement.objects.filter(pk=agreement.pk), strength="no_key")
    if locked.household_id != household.pk:
        raise NotOfThisHouseholdError(locked, household)
    life.check(locked, Move.ADJUST)


def _grant(adjustment: Adjustment, *, note: str, acting_user: User, now: datetime.datetime) -> None:
    """Post it: less is a credit note, more is a fee."""
    today = timezone.localdate(now)
    if adjustment.direction == Adjustment.Direction.LESS:
        adjustment.credit_note = credits.write_credit_note(
            household=adjustment.household,
            agreement=adjustment.agreement,
            kind=CreditNote.Kind.ADJUSTMENT,
            amount=adjustment.amount,
            reason=adjustment.reason,
            on=today,
            acting_user=acting_user,
            now=now,
        )
    else:
        adjustment.charge = charges.charge_fee(
            household=adjustment.household,
            on=ledger.open_day(today),
            description=f"Adjustment: {adjustment.reason}",
            amount=adjustment.amount,
            acting_user=acting_user,
            now=now,
            agreement=adjustment.agreement,
        )
    _decide(adjustment, Adjustment.State.GRANTED, note, acting_user, now)
    if adjustment.agreement is not None:
        life.note_event(
            agreement=adjustment.agreement,
            kind=LifeEvent.Kind.ADJUSTED,
            on=today,
            acting_user=acting_user,
            now=now,
            note=f"{written(adjustment.amount)} {adjustment.direction}: {adjustment.reason}",
            detail={"adjustment": adjustment.pk},
        )


def _decide(adjustment: Adjustment, state: str, note: str, acting_user: User, now: datetime.datetime) -> None:
    adjustment.state, adjustment.decision_note = state, note.strip()
    adjustment.decided_at, adjustment.decided_by = now, acting_user
    adjustment.save(update_fields=["state", "decision_note", "decided_at", "decided_by", "credit_note", "charge"])
