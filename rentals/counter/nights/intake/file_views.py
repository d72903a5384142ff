"""What a tablet could not send comes in as a file: every sign-up of it is taken in as if the tablet had sent it, each once."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from rentals.agreements.models import NightSignUp
from rentals.counter.nights.intake.access import get_own_night
from rentals.counter.nights.intake.envelope import NotAnEnvelopeError, read_envelope
from rentals.counter.nights.intake.forms import HandOffForm
from rentals.counter.nights.intake.operations import take_in
from rentals.counter.nights.tablet.handoff import NotAHandOffError, WrongPassphraseError, open_file
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.staff.limits import limited
from rentals.staff.models import User
from rentals.staff.policy import acting_user, requires
from schools.models import Night

MOST_ROWS = 300
"""So many sign-ups one tablet never makes in an evening."""
FILES_PER_MINUTE = 10


@dataclass(frozen=True)
class Taken:
    """What became of one sign-up of a file: its place there, the line about it, or why there is none."""

    place: int
    row: NightSignUp | None = None
    was_here: bool = False
    why: str = ""


@requires("nights.sign_up")
@limited("night file", per_minute=FILES_PER_MINUTE)
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def night_file(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Ask for the file and its passphrase, and say of each sign-up in it what became of it."""
    person = acting_user(request)
    night = get_own_night(person, night_id)
    form = HandOffForm(request.POST, request.FILES) if request.method == "POST" else HandOffForm()
    taken = None
    if form.is_bound and form.is_valid():
        rows = _open(form)
        taken = _take_all(rows, night, person) if rows is not None else None
    page = {"night": night, "form": form, "taken": taken, "person": person}
    return render(request, "counter/nights/intake/file.html", page, status=422 if form.errors else 200)


def _open(form: HandOffForm) -> list[Any] | None:
    """Open the file; say in the form what is wrong with it."""
    try:
        rows = open_file(form.cleaned_data["file"].read(), form.cleaned_data["passphrase"])
    except NotAHandOffError as error:
        form.add_error("file", str(error))
    except WrongPassphraseError as error:
        form.add_error("passphrase", str(error))
    else:
        if len(rows) <= MOST_ROWS:
            return list(rows)
        form.add_error("file", f"This file says it holds more than {MOST_ROWS} sign-ups: no tablet makes so many in an evening.")
    return None


def _take_all(rows: Sequence[Any], night: Night, person: User) -> list[Taken]:
    return [_take(place, raw, night, person) for place, raw in enumerate(rows, 1)]


def _take(place: int, raw: Any, night: Night, person: User) -> Taken:
    """Take one in, in a transaction of its own: what is wrong with one leaves the others alone."""
    try:
        envelope = read_envelope(raw)
        if envelope.night != night.pk:
            return Taken(place, why="It was made at another night: take its file in there.")
        was_here = NightSignUp.objects.filter(pk=envelope.id).exists()
        row = take_in(envelope=envelope, night=night, acting_user=person, now=clock.now(), today=clock.today())
    except NotAnEnvelopeError as error:
        return Taken(place, why=f"{error.why} It stays on the tablet: look at it there.")
    except RowsBusyError:
        return Taken(place, why="Somebody was working on the same at this moment. Take the file in once more.")
    return Taken(place, row=row, was_here=was_here)
