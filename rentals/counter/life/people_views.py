"""Who is behind an agreement: the student's school, guardians who share the cost, another guardian who takes it over."""

from typing import Any

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from rentals.agreements import errors, life, periods, wording
from rentals.agreements.changes import people, transfer
from rentals.agreements.models import LifeEvent
from rentals.agreements.moves import Move, MoveNotPossibleError
from rentals.counter.life import operations
from rentals.counter.life.common import Screen, back_to, get_agreement, refuse, show_or_run
from rentals.counter.life.forms import SchoolForm, SharesForm, TakeoverForm
from rentals.counter.life.page import first_free_period
from rentals.families import queries as families
from rentals.families.models import Guardian
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.staff.limits import SEARCHES, limited
from rentals.staff.policy import requires

SCHOOL = Screen(Move.CHANGE_SCHOOL, "Change the school", "Change the school", refusals=(people.SameSchoolError,))
SHARES = Screen(
    Move.SHARE_PAYMENT,
    "Share the payments",
    "Share the payments",
    template="counter/life/shares.html",
    refusals=(people.SharesNotWholeError, people.NotSharedError, people.SharedUntilError, errors.NotOfThisHouseholdError),
)
TRANSFER = Screen(
    Move.TRANSFER,
    "Transfer to another guardian",
    "Transfer the agreement",
    template="counter/life/transfer_to.html",
    refusals=(transfer.SameGuardianError,),
)


@requires("agreements.change")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def change_school(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Put the student into another school's programme."""
    agreement = get_agreement(agreement_id)
    form = SchoolForm(request.POST if request.method == "POST" else None, agreement=agreement)
    student = agreement.student
    facts = [
        {"label": "Student", "value": str(student)},
        {"label": "School now", "value": str(student.programme) if student.programme else "None, or not known"},
        {"label": "As signed", "value": str(agreement.programme) if agreement.programme else "None"},
    ]

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return people.change_school(agreement=agreement, programme=given["programme"], **who)

    def done(event: LifeEvent) -> str:
        return f"The school is changed. {event.note}."

    lead = "The student is listed with the new school from now on. The agreement stays as signed, and so does its tax."
    return show_or_run(request, screen=SCHOOL, form=form, run=run, done=done, context={"facts": facts, "lead": lead})


@requires("agreements.change")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def share_payments(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Write down which guardian pays which part, or end that."""
    agreement = get_agreement(agreement_id)
    form = SharesForm(request.POST if request.method == "POST" else None, agreement=agreement, today=clock.today())

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return people.share_payments(agreement=agreement, shares=given["shares"], from_on=given["from_on"], **who)

    def done(event: LifeEvent) -> str:
        return f"Written down. {event.note}."

    context = {"shares": people.list_shares(agreement), "guardians": form.guardians}
    return show_or_run(request, screen=SHARES, form=form, run=run, done=done, context=context)


@requires("agreements.change")
@limited("search", per_minute=SEARCHES)
@never_cache
@require_safe
def transfer_agreement(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Find the guardian who takes the rental over: of the same household, or of another."""
    agreement = get_agreement(agreement_id)
    try:
        life.check(agreement, Move.TRANSFER)
    except MoveNotPossibleError as error:
        return refuse(request, agreement, error, TRANSFER)
    text = request.GET.get("q", "").strip()
    found = [hit.household_id for hit in families.search_households(text, 10)] if text else []
    others = Guardian.objects.select_related("household").exclude(pk=agreement.guardian_id)
    page = {
        "agreement": agreement,
        "screen": TRANSFER,
        "back": back_to(agreement),
        "text": text,
        "own": others.filter(household=agreement.household_id).order_by("-is_primary", "pk"),
        "others": others.filter(household__in=found).exclude(household=agreement.household_id).order_by("household", "pk"),
        "owed": operations.sum_past_due(agreement, clock.today()),
    }
    return render(request, "counter/life/transfer.html", page)


@requires("agreements.change")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def transfer_to(request: HttpRequest, agreement_id: int, guardian_id: int) -> HttpResponseBase:
    """Show what the new guardian takes over and what stays behind; sign."""
    agreement = get_agreement(agreement_id)
    guardian = get_object_or_404(Guardian.objects.select_related("household"), pk=guardian_id)
    segments, today = life.list_segments(agreement), clock.today()
    first = periods.period_at(segments, first_free_period(agreement, segments, today))
    text = transfer.takeover_text(agreement, guardian, first)
    data = request.POST if request.method == "POST" else None
    form = TakeoverForm(data, agreement=agreement, guardian=guardian, initial={"shown": wording.sha256_of(text)})
    owed = operations.sum_past_due(agreement, today)

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return operations.transfer_agreement(agreement=agreement, guardian=guardian, shown=given["shown"], **who)

    def done(event: LifeEvent) -> str:
        left = " What the household before owes stays with it." if owed > ZERO else ""
        return f"{agreement.number} goes on as {event.agreement.number} with {guardian}.{left}"

    context = {
        "guardian": guardian,
        "text": text,
        "owed": owed,
        "moves_student": guardian.household_id != agreement.household_id,
    }
    return show_or_run(request, screen=TRANSFER, form=form, run=run, done=done, context=context)
