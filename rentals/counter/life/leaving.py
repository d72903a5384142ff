"""Taking an instrument back with its condition, and what is owed when it is lost, stolen or destroyed: one transaction each."""

import datetime
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.utils import translation

from billing import charges, queries
from billing.models import Charge
from rentals.agreements import errors, life, rules
from rentals.agreements import operations as agreements
from rentals.agreements.models import Agreement, LifeEvent, LossReport, PlanVersion
from rentals.agreements.moves import Move
from rentals.agreements.periods import period_at, period_containing
from rentals.counter.life import ends, leaving_papers
from rentals.counter.life.buying import remove_from_books
from rentals.documents.words import in_language
from rentals.inventory.models import Instrument, Location
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money
from rentals.staff.models import User
from rentals.staff.policy import require


class DayAheadError(Exception):
    """Something is said to have happened on a day that is still to come."""

    def __init__(self) -> None:
        super().__init__("This day has not come yet. Write today or an earlier day.")


@dataclass(frozen=True)
class GivenBack:
    """How and when an instrument came back; no `condition` where the family ends the agreement before it had one.

    `shown` is what the family was told it comes to; None takes what it is.
    """

    on: datetime.date
    condition: ends.Condition | None
    shown: Decimal | None = None


@dataclass(frozen=True)
class Told:
    """What an ending comes to, for the screen: the bill, the credit that waits, and until when."""

    outcome: ends.Outcome
    minimum_rent: Decimal = ZERO
    credit: Decimal = ZERO
    credit_lives_until: datetime.date | None = None


def preview_return(
    agreement: Agreement, back: GivenBack, *, acting_user: User, now: datetime.datetime, today: datetime.date
) -> Told:
    """Return what taking it back would come to, changing nothing. Raises EndsBeforeItBeganError, DayAheadError."""
    _check_day(agreement, back.on, today)
    with ends.tried():
        outcome, least = _bill_return(agreement, back, acting_user, now)
        credit = queries.sum_rental_credit(agreement.pk).earned
        return Told(outcome, least, credit, rules.credit_lives_until(back.on, agreement.plan_version.credit_lives_months))


def _check_day(agreement: Agreement, on: datetime.date, today: datetime.date) -> None:
    if on > today:
        raise DayAheadError
    if on < agreement.starts_on:
        raise errors.EndsBeforeItBeganError(agreement)


def _bill_return(
    agreement: Agreement, back: GivenBack, acting_user: User, now: datetime.datetime
) -> tuple[ends.Outcome, Decimal]:
    """Bring the rent to what is owed, bill the rest of a minimum term and what is missing; return it and that rest."""
    by_days = agreement.plan_version.part_month == PlanVersion.PartMonth.DAYS
    rent = charges.settle_rent(agreement=agreement, ended_on=back.on, acting_user=acting_user, now=now, by_days=by_days)
    least = ends.rent_still_owed(agreement, back.on, life.list_segments(agreement))
    made: list[Charge] = [*rent.billed]
    made += ends.bill_minimum_term(agreement=agreement, ended_on=back.on, owed=least, acting_user=acting_user, now=now)
    missing = back.condition.missing if back.condition else ()
    made += ends.bill_missing(agreement=agreement, missing=missing, on=back.on, acting_user=acting_user, now=now)
    return ends.describe(agreement.household_id, made, rent.voided), least


@transaction.atomic
def take_back(
    *,
    agreement: Agreement,
    back: GivenBack,
    sent: life.Sent,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> LifeEvent:
    """Take the rented instrument back and end the agreement; return the timeline's line.

    The month begun is billed whole or by days, as the plan says; the rest of a minimum term and missing parts are billed. The
    instrument goes to the shelf, or to the bench with a work order where something is wrong; a loaner goes to the shelf too.
    While the family still waits for its instrument nothing comes back: the agreement ends without.
    Raises DayAheadError, EndsBeforeItBeganError, FiguresChangedError, NoInstrumentOnItError, WorkOrderAlreadyOpenError,
    AgreementMovedOnError, MoveNotPossibleError, PermissionDenied.
    """
    require(acting_user, "agreements.return")
    request = {"on": back.on.isoformat(), "grade": back.condition.grade if back.condition else "", "shown": str(back.shown)}
    done = life.claim(agreement=agreement, move=Move.RETURN, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.RETURN, sent=sent)
    _check_day(locked, back.on, today)
    instrument = ends.lock_what_comes_back(locked)
    outcome, _ = _bill_return(locked, back, acting_user, now)
    if back.shown is not None and back.shown != outcome.total:
        raise ends.FiguresChangedError
    if instrument is not None and back.condition is not None:
        ends.take_in(agreement=locked, instrument=instrument, condition=back.condition, acting_user=acting_user, now=now)
    ended = agreements.end_agreement(
        agreement=locked,
        reason=Agreement.EndReason.RETURNED,
        ended_on=back.on,
        location=back.condition.location if back.condition else None,
        acting_user=acting_user,
        now=now,
    )
    event = life.note_event(
        agreement=ended,
        kind=LifeEvent.Kind.RETURNED,
        on=back.on,
        note=_return_words(instrument, back.condition),
        detail={"billed": str(outcome.total)},
        acting_user=acting_user,
        now=now,
    )
    credit = queries.sum_rental_credit(ended.pk)
    paper = leaving_papers.ReturnTold(instrument, back.condition, outcome, credit.credit, credit.lives_until)
    leaving_papers.ask_for_return_receipt(agreement=ended, told=paper, taken_by=acting_user.name, now=now)
    return life.keep(sent=sent, event=event)


def _return_words(instrument: Instrument | None, condition: ends.Condition | None) -> str:
    if instrument is None or condition is None:
        return "Before its instrument came"
    words = f"{instrument.asset_tag}, {Instrument.Grade(condition.grade).label.lower()}"
    if condition.missing:
        words += "; missing: " + ", ".join(each.part.lower() for each in condition.missing)
    return f"{words}. {condition.note}".strip(" .")


@dataclass(frozen=True)
class Loss:
    """How an instrument was lost, stolen or destroyed, and whether protection is taken to cover it.

    Theft counts as covered only with the number of its police report. `location` says where a loaner came back.
    """

    kind: str
    happened_on: datetime.date
    police_report_number: str = ""
    is_covered: bool = True
    note: str = ""
    location: Location | None = None
    shown: Decimal | None = None


@dataclass(frozen=True)
class Answer:
    """What the family answers for: the amount, whether protection covers it, and why in words."""

    owed: Decimal
    is_protected: bool
    sentence: str

    @property
    def why(self) -> str:
        """Why, in the language of the moment."""
        return in_language(self.sentence) % {"owed": money(self.owed)}


def answer_for(loss: Loss, *, had_protection: bool, deductible: Decimal, replacement_value: Decimal) -> Answer:
    """Return what a family owes for a loss: the deductible where protection covers it, else the replacement value.

    Pure. Theft with protection needs the number of the police report, or it counts as not protected. Common practice, no source.

    >>> from dataclasses import replace
    >>> stolen = Loss("stolen", datetime.date(2026, 3, 1))
    >>> terms = {"had_protection": True, "deductible": Decimal("50"), "replacement_value": Decimal("1080")}
    >>> answer_for(stolen, **terms).owed, answer_for(replace(stolen, police_report_number="26-1"), **terms).owed
    (Decimal('1080'), Decimal('50'))
    """
    if not had_protection:
        return Answer(replacement_value, False, "The family has no protection: it answers for the replacement value.")
    if not loss.is_covered:
        return Answer(replacement_value, False, "Protection does not cover this: the family answers for the replacement value.")
    if loss.kind == LossReport.Kind.STOLEN and not loss.police_report_number.strip():
        why = (
            "Without the number of a police report a theft counts as not protected: the family answers for the replacement value."
        )
        return Answer(replacement_value, False, why)
    words = (
        "Protection covers it: the family pays the deductible of %(owed)s."
        if deductible
        else "Protection covers it: the family pays nothing."
    )
    return Answer(min(deductible, replacement_value), True, words)


def had_protection(agreement: Agreement, on: datetime.date) -> bool:
    """Tell whether the terms billed protection for the period of a day."""
    segments = life.list_segments(agreement)
    if not segments:
        return False
    day = max(on, segments[0].begins_on)
    return period_at(segments, period_containing(segments, day)).protection > 0


def answer_of(agreement: Agreement, loss: Loss) -> Answer:
    """Return what the family of an agreement answers for, by its terms and its plan."""
    return answer_for(
        loss,
        had_protection=had_protection(agreement, loss.happened_on),
        deductible=agreement.plan_version.deductible.amount,
        replacement_value=agreement.replacement_value.amount,
    )


def preview_loss(
    agreement: Agreement, loss: Loss, *, acting_user: User, now: datetime.datetime, today: datetime.date
) -> tuple[Answer, ends.Outcome]:
    """Return what a loss would come to, changing nothing. Raises DayAheadError, EndsBeforeItBeganError."""
    _check_day(agreement, loss.happened_on, today)
    with ends.tried():
        return _bill_loss(agreement, loss, acting_user, now, today)


def _bill_loss(
    agreement: Agreement, loss: Loss, acting_user: User, now: datetime.datetime, today: datetime.date
) -> tuple[Answer, ends.Outcome]:
    answer = answer_of(agreement, loss)
    rent = charges.settle_rent(agreement=agreement, ended_on=today, acting_user=acting_user, now=now)
    made = [*rent.billed]
    if answer.owed > 0:
        words = "Deductible" if answer.is_protected else "Replacement value"
        made.append(
            charges.charge_loss(
                agreement=agreement,
                on=today,
                description=f"{words}, instrument {LossReport.Kind(loss.kind).label.lower()}",
                amount=answer.owed,
                acting_user=acting_user,
                now=now,
            )
        )
    return answer, ends.describe(agreement.household_id, made, rent.voided)


@transaction.atomic
def report_loss(
    *,
    agreement: Agreement,
    loss: Loss,
    sent: life.Sent,
    acting_user: User,
    now: datetime.datetime,
    today: datetime.date,
) -> LifeEvent:
    """Write a loss, theft or destruction down, bill what the family answers for, and end the agreement; return the line.

    The instrument leaves the fleet, and the books at its book value; it ends on the day it is reported. A loaner goes to the
    shelf. Raises DayAheadError, EndsBeforeItBeganError, FiguresChangedError, NoInstrumentOnItError, NoPlaceToReturnError,
    WorkOrderStillOpenError, AgreementMovedOnError, MoveNotPossibleError, PermissionDenied.
    """
    require(acting_user, "agreements.report_loss")
    request = {"kind": loss.kind, "on": loss.happened_on.isoformat(), "shown": str(loss.shown)}
    done = life.claim(agreement=agreement, move=Move.REPORT_LOSS, sent=sent, request=request, acting_user=acting_user)
    if done is not None:
        return done
    locked = life.lock_for(agreement=agreement, move=Move.REPORT_LOSS, sent=sent)
    _check_day(locked, loss.happened_on, today)
    instrument = ends.lock_instrument(locked)
    answer, outcome = _bill_loss(locked, loss, acting_user, now, today)
    if loss.shown is not None and loss.shown != outcome.total:
        raise ends.FiguresChangedError
    report = LossReport.objects.create(
        agreement=locked,
        instrument=instrument,
        kind=loss.kind,
        happened_on=loss.happened_on,
        police_report_number=loss.police_report_number.strip(),
        is_protected=answer.is_protected,
        owed=answer.owed,
        note=loss.note,
        made_at=now,
        made_by=acting_user,
    )
    agreements.end_agreement(
        agreement=locked, reason=loss.kind, ended_on=today, location=loss.location, acting_user=acting_user, now=now
    )
    remove_from_books(instrument=instrument, how="lost", on=today, acting_user=acting_user, now=now)
    event = life.note_event(
        agreement=locked,
        kind=LifeEvent.Kind.LOST,
        on=loss.happened_on,
        note=f"{report.get_kind_display()}: {instrument.asset_tag}. {answer.why}",
        detail={"report": report.pk, "owed": str(answer.owed)},
        acting_user=acting_user,
        now=now,
    )
    with translation.override(locked.household.language):
        why = answer.why
    leaving_papers.ask_for_loss_report(report=report, why=why, outcome=outcome, now=now)
    return life.keep(sent=sent, event=event)
