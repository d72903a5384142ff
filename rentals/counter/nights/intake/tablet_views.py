"""The two addresses a tablet speaks to: what it takes along, and where it brings back what was signed."""

import json

from django.http import HttpRequest, HttpResponseBase, HttpResponseNotModified, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from rentals.counter.nights.intake.access import get_own_night
from rentals.counter.nights.intake.answers import answer_of, refusal_of
from rentals.counter.nights.intake.envelope import LONGEST, NotAnEnvelopeError, read_envelope
from rentals.counter.nights.intake.operations import take_in
from rentals.counter.nights.intake.pack import NoPackError, make_pack
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.staff.policy import acting_user, requires

BUSY_SECONDS = 5


@requires("nights.sign_up")
@never_cache
@require_safe
def tablet_pack(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """What the tablet takes along, as JSON; 409 with the reason when there is nothing to sign up with.

    Its version is its ETag: a tablet that names the one it has is told 304 while nothing in it has changed.
    """
    night = get_own_night(acting_user(request), night_id)
    try:
        pack = make_pack(night, made_at=clock.now())
    except NoPackError as error:
        return JsonResponse({"outcome": "refused", "why": str(error)}, status=409)
    tag = f'"{pack["version"]}"'
    if request.headers.get("If-None-Match", "").removeprefix("W/") == tag:
        return HttpResponseNotModified(headers={"ETag": tag})
    return JsonResponse(pack, headers={"ETag": tag})


@requires("nights.sign_up")
@require_POST
def night_take_in(request: HttpRequest) -> HttpResponseBase:
    """Take one sign-up in. 200: it is kept here, and what became of it; 422: it can never be one; 503: send it again later."""
    if len(request.body) > LONGEST:
        return _refuse(NotAnEnvelopeError("This sign-up is longer than any can be."), None)
    try:
        raw = json.loads(request.body)
    except ValueError:
        return _refuse(NotAnEnvelopeError("This is not a sign-up."), None)
    try:
        envelope = read_envelope(raw)
        night = get_own_night(acting_user(request), envelope.night)
        row = take_in(envelope=envelope, night=night, acting_user=acting_user(request), now=clock.now(), today=clock.today())
    except NotAnEnvelopeError as error:
        return _refuse(error, raw.get("id") if isinstance(raw, dict) else None)
    except RowsBusyError:
        return JsonResponse({"outcome": "busy"}, status=503, headers={"Retry-After": str(BUSY_SECONDS)})
    return JsonResponse(answer_of(row))


def _refuse(error: NotAnEnvelopeError, sign_up_id: object) -> JsonResponse:
    return JsonResponse(refusal_of(error, sign_up_id), status=422)
