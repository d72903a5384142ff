"""What is added to a signed agreement: its terms by period, holds, its timeline. Called by the flows of higher rooms."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from rentals.agreements import promises
from rentals.agreements.models import Agreement, AgreementHold, LifeEvent, PeriodTerms
from rentals.agreements.moves import NEED_INSTRUMENT, Move, State, WaitsForInstrumentError, check_move
from rentals.agreements.periods import Segment
from rentals.families.models import Household
from rentals.runtime import locks
from rentals.staff import operations as staff_operations
from rentals.staff.models import RequestKey, User


class AgreementMovedOnError(Exception):
    """Something else was done to the agreement after this person opened the form; `events` are what, the oldest first."""

    def __init__(self, agreement: Agreement, events: Sequence[LifeEvent]) -> None:
        self.agreement, self.events = agreement, list(events)
        last = self.events[-1]
        super().__init__(
            f"Nothing was saved: since you opened this form, {last.by} has worked on {agreement.number}"
            f" ({last.get_kind_display().lower()})."
        )


@dataclass(frozen=True)
class Sent:
    """How an act on an agreement was sent: the key of its form, and the last line of the timeline its sender had seen.

    `seen` is the key of that line, 0 before the first; None for an act that takes the agreement as it finds it. `signer` is the
    name that the guardian typed as signature, where the act binds the family.
    """

    request_key: UUID
    seen: int | None = None
    signer: str = ""


def list_segments(agreement: Agreement) -> tuple[Segment, ...]:
    """Return the terms in force of an agreement, in order."""
    return segments_of(PeriodTerms.objects.filter(agreement=agreement, superseded_at=None).order_by("first_period"))


def segments_of(rows: Any) -> tuple[Segment, ...]:
    """Turn rows in force, in order, into segments."""
    return tuple(
        Segment(
            row.first_period,
            row.begins_on,
            row.anchor_on,
            row.offset,
            row.months,
            row.rent.amount,
            row.protection.amount,
            row.reason,
        )
        for row in rows
    )


def terms_rows(agreement: Agreement, segments: Sequence[Segment], *, acting_user: User, now: datetime) -> list[PeriodTerms]:
    """Return the rows of these segments, not saved yet: for whoever writes many agreements at once."""
    return [PeriodTerms(agreement=agreement, made_at=now, made_by=acting_user, **each._asdict()) for each in segments]


def write_terms(*, agreement: Agreement, segments: Sequence[Segment], acting_user: User, now: datetime) -> None:
    """Put these terms in force: rows that are not among them any more are superseded, new ones written.

    Inside an operation that has locked the agreement. The database refuses terms that leave a gap, overlap, or change a period
    that is billed.
    """
    rows = list(PeriodTerms.objects.filter(agreement=agreement, superseded_at=None).order_by("first_period"))
    kept = dict(zip(segments_of(rows), rows, strict=True))
    gone = [row.pk for segment, row in kept.items() if segment not in segments]
    PeriodTerms.objects.filter(pk__in=gone).update(superseded_at=now)
    fresh = [each for each in segments if each not in kept]
    PeriodTerms.objects.bulk_create(terms_rows(agreement, fresh, acting_user=acting_user, now=now))


def get_open_hold(agreement: Agreement) -> AgreementHold | None:
    """Return the hold or recall that keeps an agreement from being billed now."""
    return AgreementHold.objects.filter(agreement=agreement, until_on=None).first()


def state_of(agreement: Agreement) -> State:
    """Return how an agreement stands."""
    return state_under(agreement, get_open_hold(agreement) if agreement.is_open else None)


def state_under(agreement: Agreement, hold: AgreementHold | None) -> State:
    """Return how an agreement stands whose open hold is at hand."""
    if not agreement.is_open:
        return State(agreement.end_reason)
    if hold is None:
        return State.RUNNING
    return State.RECALLED if hold.kind == AgreementHold.Kind.RECALL else State.ON_HOLD


def check(agreement: Agreement, move: Move) -> None:
    """Raise MoveNotPossibleError unless the agreement, locked by the caller, may be moved so now.

    WaitsForInstrumentError is one: what the move is about has not come yet.
    """
    state = state_of(agreement)
    check_move(agreement.number, state, move)
    if move in NEED_INSTRUMENT and promises.is_waiting(agreement):
        raise WaitsForInstrumentError(agreement.number, state, move)


def last_seen(agreement: Agreement) -> int:
    """Return the key of the last line of an agreement's timeline: what a form remembers to have seen."""
    newest = LifeEvent.objects.filter(agreement=agreement).order_by("-pk").values_list("pk", flat=True).first()
    return newest or 0


def claim(*, agreement: Agreement, move: Move, sent: Sent, request: dict[str, Any], acting_user: User) -> LifeEvent | None:
    """Claim the key of an act. None: go on; otherwise the line of the timeline that the same act wrote before.

    Raises RequestKeyReusedError.
    """
    answer = staff_operations.claim_request(
        key=sent.request_key,
        purpose=f"agreement_{move}",
        request={"agreement": agreement.pk, "signer": sent.signer, **request},
        acting_user=acting_user,
    )
    return None if answer is None else LifeEvent.objects.select_related("agreement").get(pk=answer["event"])


def find_answer(sent: Sent) -> LifeEvent | None:
    """Return the line that this very act wrote before, if it was sent before: for a flow that does more around the act.

    Ask under the lock of the household.
    """
    answer = RequestKey.objects.filter(key=sent.request_key).values_list("answer", flat=True).first()
    return LifeEvent.objects.select_related("agreement").get(pk=answer["event"]) if answer and "event" in answer else None


def lock_for(*, agreement: Agreement, move: Move, sent: Sent) -> Agreement:
    """Lock the household and the agreement, and return it as it stands now, if it may be moved so and nobody was faster.

    Raises AgreementMovedOnError, MoveNotPossibleError, RowsBusyError.
    """
    locks.lock_rows(Household.objects.filter(pk=agreement.household_id), Agreement.objects.filter(pk=agreement.pk))
    locked = Agreement.objects.select_related("household", "guardian", "student", "plan_version", "item__kind").get(
        pk=agreement.pk
    )
    if sent.seen is not None:
        later = LifeEvent.objects.filter(agreement=locked, pk__gt=sent.seen).select_related("by").order_by("pk")
        if later:
            raise AgreementMovedOnError(locked, list(later))
    check(locked, move)
    return locked


def is_protected(agreement: Agreement, on: date) -> bool:
    """Tell whether the period in which a day falls bills protection: what happens on that day is covered."""
    segments = list_segments(agreement)
    holding = next((each for each in reversed(segments) if each.begins_on <= on), segments[0])
    return holding.protection > 0


def keep(*, sent: Sent, event: LifeEvent) -> LifeEvent:
    """Keep the line that an act wrote as the answer to its key, and return it."""
    staff_operations.keep_answer(key=sent.request_key, answer={"event": event.pk})
    return event


def note_event(
    *,
    agreement: Agreement,
    kind: str,
    on: date,
    acting_user: User,
    now: datetime,
    note: str = "",
    detail: dict[str, Any] | None = None,
) -> LifeEvent:
    """Write a line of the timeline, inside the operation that made it true."""
    return LifeEvent.objects.create(
        agreement=agreement, kind=kind, on=on, at=now, by=acting_user, note=note[:400], detail=detail or {}
    )
