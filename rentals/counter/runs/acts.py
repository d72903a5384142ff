"""What a driver's device sends, at once or when its network is back: one act a request, with its own key and its age."""

import datetime
import json
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponseBase, JsonResponse
from django.middleware.csrf import get_token
from django.template.loader import render_to_string
from django.views.decorators.http import require_POST, require_safe

from rentals.counter.bench.verdicts import Verdict
from rentals.counter.runs import driving, operations
from rentals.counter.runs.forms import HandoverForm
from rentals.counter.runs.views import run_or_404
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import acting_user, requires
from schools import runs
from schools.models import Load, Run, Stop

LATE = 60
"""Seconds after which nobody looks at an answer any more: then a refused scan stays on the device's list."""
REFUSED = (
    *operations.RUN_REFUSALS,
    operations.NothingScannedOffError,
    operations.NotAtThisPointError,
    RequestKeyReusedError,
    runs.RunOverError,
)


class NotReadError(ValueError):
    """What came is no act of a run."""


class ActForm(forms.Form):
    """One act: a scan, a handover or what was not done; `age` is how many seconds ago it was, by the device."""

    id = forms.UUIDField()
    kind = forms.ChoiceField(choices=[(kind, kind) for kind in ("scan", "hand_over", "not_done")])
    age = forms.IntegerField(min_value=0, max_value=14 * 86400)
    step = forms.ChoiceField(
        choices=[(step, step) for step in (operations.IN_VAN, operations.AT_STOP, operations.HOME)], required=False
    )
    at = forms.CharField(max_length=12, required=False)
    code = forms.CharField(max_length=80, required=False)
    load = forms.IntegerField(min_value=0, max_value=2**62, required=False)
    why = forms.CharField(max_length=160, required=False)


@requires("runs.drive")
@require_safe
def run_door(request: HttpRequest) -> HttpResponseBase:
    """Say who is signed in, with a fresh token for sending and the office's time. A stranger is sent to sign in."""
    facts = {"person": acting_user(request).name, "csrf": get_token(request), "now": clock.now().isoformat()}
    return JsonResponse(facts)


@requires("runs.drive")
@require_POST
def run_act(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """Do one act, once however often it is sent; answer what the page shows then, or why it cannot be (409, 422)."""
    run = run_or_404(run_id)
    try:
        raw = json.loads(request.body)
        form = ActForm(raw if isinstance(raw, dict) else {})
        if not form.is_valid():
            raise NotReadError
        act = form.cleaned_data
        verdict = _do(request, run, act, raw)
    except (NotReadError, RecursionError, ValueError) as error:
        return JsonResponse({"why": str(error) or "This could not be read. Write it down, and tell the shop."}, status=422)
    except RowsBusyError as error:
        return JsonResponse({"why": str(error)}, status=503, headers={"Retry-After": "2"})
    except REFUSED as error:
        return JsonResponse({"why": str(error)}, status=409)
    if verdict.tone == "bad" and act["age"] > LATE:
        return JsonResponse({"why": f"{verdict.words}. {verdict.more}"}, status=409)
    context = driving.facts_of(run_or_404(run_id), at=act["at"] or "home", verdict=verdict)
    html = render_to_string("counter/runs/act.html", context, request)
    facts = {"id": str(act["id"]), "outcome": "arrived", "why": verdict.words, "at": act["at"], "html": html}
    return JsonResponse(facts)


def _do(request: HttpRequest, run: Run, act: dict[str, Any], raw: dict[str, Any]) -> Verdict:
    age = datetime.timedelta(seconds=act["age"])
    who: dict[str, Any] = {
        "acting_user": acting_user(request),
        "now": operations.moment_of(run=run, age=age, now=clock.now()),
    }
    at = int(act["at"]) if act["at"].isascii() and act["at"].isdecimal() else 0
    stop = Stop.objects.select_related("run").filter(run=run, pk=at).first()
    if act["kind"] == "scan":
        code = act["code"].replace("\0", "").strip()
        if not code:
            message = "Nothing was scanned."
            raise NotReadError(message)
        return operations.scan(run=run, step=act["step"] or operations.HOME, stop=stop, code=code, key=act["id"], **who)
    if act["kind"] == "hand_over":
        return _hand_over(stop, raw, act["id"], who)
    load = Load.objects.select_related("run", "instrument").filter(run=run, pk=act["load"] or 0).first()
    why = " ".join(act["why"].replace("\0", "").split())
    if load is None or not why:
        message = "It is on this run no more." if load is None else "Write why, in a few words."
        raise NotReadError(message)
    done = operations.not_done(load=load, why=why, **who)
    tag = load.instrument.asset_tag
    return Verdict("info", f"{tag}: {done.get_outcome_display().lower()}. It waits for another day.", "", tag)


def _hand_over(stop: Stop | None, raw: dict[str, Any], key: Any, who: dict[str, Any]) -> Verdict:
    form = HandoverForm({**raw, "key": key})
    if stop is None or not form.is_valid():
        message = " ".join(str(word) for words in form.errors.values() for word in words) or "This stop is on the run no more."
        raise NotReadError(message)
    loads = operations.hand_over(stop=stop, to=form.handover(), key=key, **who)
    return Verdict("good", driving.handed(loads))
