"""What arrived from a night: the list, one sign-up with the ways on, and families whose instrument is still to come."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from billing import waited
from rentals.agreements import errors
from rentals.agreements.models import NightSignUp, SignUpDraft, UnitPromise
from rentals.agreements.operations import assign_unit
from rentals.agreements.promises import PromiseSettledError, list_open_promises
from rentals.counter.nights.intake.access import list_own_nights
from rentals.counter.nights.intake.again import begin_again, draft_key
from rentals.counter.nights.intake.envelope import NotAnEnvelopeError
from rentals.counter.nights.intake.forms import AssignForm, CorrectionForm, DiscardForm
from rentals.counter.nights.intake.operations import SettledError, discard, take_in_after_all
from rentals.counter.nights.intake.people import FamilyGoneError
from rentals.counter.nights.intake.queries import Told, count_arrivals, list_sign_ups, read_told
from rentals.inventory import queries as fleet
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.staff.policy import acting_user, may, requires
from schools import nights
from schools.models import Night

PAGE = 50


def _night(night_id: int) -> Night:
    return get_object_or_404(Night.objects.select_related("school", "location"), pk=night_id)


@requires("nights.sign_up")
@require_safe
def night_sign_ups(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """List what arrived from a night, what needs attention first."""
    night = _night(night_id)
    state = request.GET.get("state", "")
    state = state if state in NightSignUp.State.values else ""
    page = Paginator(list_sign_ups(night, state), PAGE).get_page(request.GET.get("page"))
    context = {"night": night, "page": page, "counts": count_arrivals(night), "state": state}
    context["own"] = list_own_nights(acting_user(request)).filter(pk=night.pk).exists()
    return render(request, "counter/nights/intake/list.html", context)


def _sign_up(sign_up_id: UUID) -> NightSignUp:
    rows = NightSignUp.objects.select_related(
        "night__school", "sent_by", "taken_by", "resolved_by", "agreement__household", "agreement__promise"
    )
    return get_object_or_404(rows, pk=sign_up_id)


@requires("nights.sign_up")
@require_safe
def night_sign_up(request: HttpRequest, sign_up_id: UUID) -> HttpResponseBase:
    """Show one sign-up: what was signed, when by which clock, what differs, and the ways on."""
    return _show(request, _sign_up(sign_up_id))


def _show(request: HttpRequest, row: NightSignUp, *, status: int = 200, **forms: Any) -> HttpResponse:
    told = read_told(row)
    needs = row.state == NightSignUp.State.ATTENTION
    draft = SignUpDraft.objects.filter(pk=draft_key(row)).select_related("agreement").first() if needs else None
    signed = draft.agreement if draft else None
    context: dict[str, Any] = {"row": row, "night": row.night, "told": told, "needs": needs, "signed_again": signed}
    if needs and told:
        reason = f"Signed again at the counter as {signed.number}" if signed else ""
        context |= {"correction": _correction(told), "discard": DiscardForm(initial={"reason": reason}), **forms}
    return render(request, "counter/nights/intake/sign_up.html", context, status=status)


def _correction(told: Told) -> CorrectionForm | None:
    adult = {name: told.guardian.get(name, "") for name in ("given_name", "family_name", "phone", "email")}
    return CorrectionForm(initial={**told.family, **adult}) if told.is_new else None


@requires("nights.sign_up")
@require_POST
def night_sign_up_take_in(request: HttpRequest, sign_up_id: UUID) -> HttpResponseBase:
    """Try once more, with what was typed wrong put right."""
    row = _sign_up(sign_up_id)
    told = read_told(row)
    form = CorrectionForm(request.POST) if told and told.is_new else None
    if form is not None and not form.is_valid():
        return _show(request, row, status=422, correction=form)
    try:
        row = take_in_after_all(
            row=row,
            changes=form.changes() if form else {},
            acting_user=acting_user(request),
            now=clock.now(),
            today=clock.today(),
        )
    except (SettledError, NotAnEnvelopeError, RowsBusyError) as error:
        messages.error(request, str(error))
        return redirect("night_sign_up", sign_up_id)
    if row.agreement is None:
        messages.error(request, f"It still needs a person: {row.why}")
        return redirect("night_sign_up", sign_up_id)
    messages.success(request, f"Taken in as {row.agreement.number}, at the price the family was shown.")
    return redirect("agreement", row.agreement.pk)


@requires("agreements.sign")
@require_POST
def night_sign_up_again(request: HttpRequest, sign_up_id: UUID) -> HttpResponseBase:
    """Open the counter's sheet, filled in: the family signs again, at the prices of today."""
    row = _sign_up(sign_up_id)
    try:
        draft = begin_again(row=row, acting_user=acting_user(request), now=clock.now())
    except (SettledError, FamilyGoneError) as error:
        messages.error(request, str(error))
        return redirect("night_sign_up", sign_up_id)
    return redirect("signup_sheet", draft.pk)


@requires("nights.sign_up")
@require_POST
def night_sign_up_discard(request: HttpRequest, sign_up_id: UUID) -> HttpResponseBase:
    """Put a sign-up aside for good, with a reason and in one's own name."""
    row = _sign_up(sign_up_id)
    form = DiscardForm(request.POST)
    if not form.is_valid():
        return _show(request, row, status=422, discard=form)
    try:
        discard(row=row, reason=form.cleaned_data["reason"], acting_user=acting_user(request), now=clock.now())
    except SettledError as error:
        messages.error(request, str(error))
        return redirect("night_sign_up", sign_up_id)
    messages.success(request, "Put aside. What was written is kept for 30 days, then only this line stays.")
    return redirect("night_sign_ups", row.night_id)


@requires("nights.sign_up")
@require_http_methods(["GET", "HEAD", "POST"])
def units_to_assign(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """List the families of a night whose instrument is still to come, and assign one by its tag."""
    night = _night(night_id)
    wrong, chosen, status = "", "", 200
    if request.method == "POST":
        chosen = request.POST.get("promise", "")
        wrong, given = _assign(request, night, chosen)
        if given is not None:
            return _after_giving(request, given)
        status = 409
    today, typed = clock.today(), request.POST.get("tag", "")
    rows: list[dict[str, Any]] = [
        {
            "promise": each,
            "days": (today - each.agreement.starts_on).days,
            "wrong": wrong if str(each.pk) == chosen else "",
            "typed": typed if str(each.pk) == chosen else "",
        }
        for each in list_open_promises(night)
    ]
    along: dict[Any, list[str]] = {}
    for line in nights.list_along(night):
        along.setdefault(line.instrument.item_id, []).append(line.instrument.asset_tag)
    for row in rows:
        row["along"] = along.get(row["promise"].item_id, [])[:4]
    context = {"night": night, "rows": rows, "wrong": wrong}
    return render(request, "counter/nights/intake/to_assign.html", context, status=status)


def _after_giving(request: HttpRequest, promise: UnitPromise) -> HttpResponseBase:
    """Go on to what the waited days come to, where that is something and this person may ask for it."""
    if may(acting_user(request), "adjustments.ask") and waited.get_waited(promise, today=clock.today()).amount:
        return redirect("waited_days", promise.pk)
    return redirect("units_to_assign", promise.night_id)


def _assign(request: HttpRequest, night: Night, chosen: str) -> tuple[str, UnitPromise | None]:
    """Assign what was scanned; return what is wrong, or the promise that was kept."""
    form = AssignForm(request.POST)
    if not form.is_valid():
        return "Scan or type the tag of the instrument.", None
    found = UnitPromise.objects.select_related("agreement__item").filter(night=night)
    promise = get_object_or_404(found, pk=int(chosen) if chosen.isascii() and chosen.isdecimal() else 0)
    unit = fleet.get_by_tag(form.cleaned_data["tag"])
    if unit is None:
        return f"No instrument has the tag {form.cleaned_data['tag']}. Look at its label again.", None
    try:
        assign_unit(agreement=promise.agreement, instrument=unit, night=night, acting_user=acting_user(request), now=clock.now())
    except (PromiseSettledError, errors.OtherModelError, errors.InstrumentNotAvailableError, RowsBusyError) as error:
        return str(error), None
    messages.success(request, f"{unit.asset_tag} goes to {promise.agreement.number}: it is with the family now.")
    return "", promise
