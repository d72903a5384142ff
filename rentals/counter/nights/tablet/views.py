"""The tablet's page, the worker that keeps it on the device, and its door: who is signed in, and what the office's clock says."""

import json

from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_safe

from rentals.counter.nights.intake.takers import make_slip
from rentals.counter.nights.tablet import shell
from rentals.runtime import clock
from rentals.runtime.camera import with_camera
from rentals.staff.policy import acting_user, may, open_to_all, requires
from schools import nights
from schools.models import Night

WORKER = "js/night/worker.js"


def my_night_or_404(request: HttpRequest, night_id: int) -> Night:
    """Return a night where this person signs families up: it is on its staff, or leads the programme."""
    return get_object_or_404(nights.list_nights_of(acting_user(request)), pk=night_id)


@requires("nights.sign_up")
@require_safe
@with_camera
def tablet(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Open the tablet at a night; the first time from here, later from what the device keeps."""
    my_night_or_404(request, night_id)
    return HttpResponse(shell.make_page())


@open_to_all
@require_safe
@with_camera
def tablet_shell(request: HttpRequest) -> HttpResponseBase:
    """Give the page that devices keep; it says nothing about anybody."""
    return HttpResponse(shell.make_page())


@open_to_all
@require_safe
def tablet_worker(request: HttpRequest) -> HttpResponseBase:
    """Give the script that keeps the page and its files on the device; it changes when any of them does."""
    kept = shell.gather()
    facts = {"version": kept.version, "shell": reverse("tablet_shell"), "files": kept.files}
    script = (shell.read_file(WORKER) or b"").decode()
    response = HttpResponse(f"const KEPT = {json.dumps(facts)};\n{script}", content_type="text/javascript; charset=utf-8")
    response["Service-Worker-Allowed"] = "/tablet/"
    return response


@requires("nights.sign_up")
@require_safe
def tablet_door(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Say who is signed in, with a fresh token for sending and the office's time. A stranger is sent to sign in.

    `taken_by` is the slip that the sign-ups of this person carry, so that their money stays in this person's takings.
    `defer` is whether this person may agree that nothing is paid tonight; the office asks again when it takes a sign-up in.
    """
    night, person = my_night_or_404(request, night_id), acting_user(request)
    facts = {
        "person": person.name,
        "taken_by": make_slip(night=night, person=person),
        "csrf": get_token(request),
        "now": clock.now().isoformat(),
    }
    defer = may(person, "agreements.defer_payment")
    return JsonResponse({**facts, "defer": defer, "night": {"id": night.pk, "school": str(night.school), "state": night.state}})
