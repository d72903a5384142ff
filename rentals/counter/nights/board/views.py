"""The lead's evening: open the night, see how it goes, close it."""

from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.counter.nights.board import closing, queries
from rentals.counter.nights.board.forms import CloseForm, HandOverForm
from rentals.counter.nights.board.to_collect import list_to_collect
from rentals.counter.nights.intake.access import require_works_there, works_there
from rentals.counter.nights.intake.answers import collect_url
from rentals.counter.nights.intake.giving_up import with_given_up
from rentals.documents.models import Document
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires
from schools import line, nights
from schools.models import Night, NightTablet


def _night_or_404(night_id: int) -> Night:
    return get_object_or_404(with_given_up(Night.objects.select_related("school", "location", "ended_by")), pk=night_id)


def _board_of(night_id: int, **_: Any) -> str:
    return reverse("night_board", args=[night_id])


def _closing_of(night_id: int, **_: Any) -> str:
    return reverse("night_closing", args=[night_id])


def _back(night: Night) -> dict[str, str]:
    return {"label": night.school.name, "url": reverse("night", args=[night.pk])}


@requires("nights.view")
@require_safe
def night_board(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Show how the evening goes; asked for by the page itself, only the figures."""
    night = _night_or_404(night_id)
    now = clock.now()
    context = {"night": night, "evening": queries.get_evening(night, now=now), "as_of": now, "back": _back(night)}
    context["may_open"] = night.state == Night.State.PLANNED and works_there(acting_user(request), night)
    part = request.htmx  # type: ignore[attr-defined]
    return render(request, "counter/nights/board/board_state.html" if part else "counter/nights/board/board.html", context)


@requires("payments.take")
@require_safe
def night_to_collect(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """List the families that pay by card or bank account afterwards, each with the way to take it."""
    night = _night_or_404(night_id)
    rows = [(owed, collect_url(owed.agreement)) for owed in list_to_collect(night)]
    page = {"night": night, "rows": rows, "open": sum((owed.open for owed, _ in rows), ZERO), "back": _back(night)}
    return render(request, "counter/nights/board/to_collect.html", page)


@requires("nights.lead")
@require_POST
@stands_on(_board_of)
def night_open(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Open the evening."""
    night = _night_or_404(night_id)
    require_works_there(acting_user(request), night)
    try:
        with transaction.atomic():
            nights.open_if_planned(nights.lock_night(night), clock.now())
        messages.success(request, "The night is under way.")
    except nights.NightOverError as error:
        messages.error(request, str(error))
    return redirect("night_board", night_id)


@requires("nights.lead")
@require_http_methods(["GET", "HEAD", "POST"])
def night_closing(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Show the closing sheet, and close the night when nothing stands in the way."""
    night = _night_or_404(night_id)
    if request.method == "POST":
        require_works_there(acting_user(request), night)
    form = CloseForm(request.POST if request.method == "POST" else None)
    status = 200
    if request.method == "POST" and form.is_valid():
        try:
            closing.close_night(night=night, note=form.cleaned_data["note"], acting_user=acting_user(request), now=clock.now())
        except closing.DifferencesNeedWordsError as error:
            form.add_error("note", str(error))
        except (closing.NotReadyToCloseError, closing.NightNotOpenError) as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, "The night is closed. Its sheet is kept as a document.")
            return redirect("night_closing", night_id)
        status = 422 if form.has_error("note") else 409
    elif form.errors:
        status = 422
    sheet = closing.get_sheet(night, now=clock.now())
    context = {
        "night": night,
        "sheet": sheet,
        "may_change": works_there(acting_user(request), night),
        "form": form,
        "hand_over": HandOverForm(),
        "document": Document.objects.filter(key=closing.document_key(night)).first(),
        "back": _back(night),
    }
    return render(request, "counter/nights/board/closing.html", context, status=status)


@requires("nights.lead")
@require_POST
@stands_on(_closing_of)
def night_hand_over(request: HttpRequest, night_id: int, tablet_id: int) -> HttpResponseBase:
    """Note that the file of a tablet's unsent sign-ups was handed over."""
    tablet = get_object_or_404(NightTablet.objects.select_related("night__school"), night_id=night_id, pk=tablet_id)
    require_works_there(acting_user(request), tablet.night)
    form = HandOverForm(request.POST)
    if not form.is_valid():
        messages.error(request, "Write who has the file now, in a few words.")
        return redirect("night_closing", night_id)
    try:
        line.hand_over(tablet=tablet, note=form.cleaned_data["note"], acting_user=acting_user(request), now=clock.now())
        messages.success(request, f"Noted: the file of tablet {tablet.name} was handed over.")
    except line.NothingUnsentError as error:
        messages.info(request, str(error))
    return redirect("night_closing", night_id)
