"""The manager's table of steps: what it means for a family, and setting another."""

import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse_lazy
from django.views.decorators.cache import never_cache

from billing.collecting import queries, rules, steps
from billing.collecting.forms import GraceForm, StepFormSet, initial_of
from billing.collecting.rules import Foreseen, StepWanted
from billing.models import OverdueStep, StepsVersion
from billing.views.common import person
from rentals.runtime import clock
from rentals.staff.policy import requires

BACK = {"label": "Overdue notices", "url": reverse_lazy("overdue_notices")}
NAMES = dict(OverdueStep.Kind.choices)


@requires("collecting.set")
@never_cache
def overdue_steps(request: HttpRequest) -> HttpResponseBase:
    """Show the steps with an example; by POST, show what other steps would mean, or set them."""
    version, faults = steps.get_version(), []
    in_force = steps.list_steps([version.pk])[version.pk]
    sent = request.POST if request.method == "POST" else None
    form = GraceForm(sent, initial={"grace_days": version.grace_days, "shown": version.number, "example_on": _day_before()})
    rows = StepFormSet(sent, initial=initial_of(in_force), prefix="steps")
    wanted: list[Any] = list(in_force)
    is_fine = sent is not None and form.is_valid() and rows.is_valid()
    if is_fine:
        wanted = rules.in_order([each for n, row in enumerate(rows) if (each := row.wanted(n)) is not None])
        faults = rules.list_faults(wanted)
        if not faults and "set" in request.POST:
            try:
                return _set(request, wanted, form)
            except steps.StepsChangedError as changed:
                faults = [str(changed)]
                version, form = changed.version, _shown_anew(request, changed.version)
    example_on = (form.cleaned_data.get("example_on") if is_fine else None) or _day_before()
    context = {
        "version": version,
        "form": form,
        "rows": rows,
        "faults": faults,
        "example_on": example_on,
        "example": None if faults or (sent is not None and not is_fine) else _in_words(rules.foresee(wanted, since=example_on)),
        "under_way": queries.count_episodes_under_way(clock.today()),
        "back": BACK,
    }
    return render(request, "billing/collecting/steps.html", context, status=422 if faults or (sent and not is_fine) else 200)


def _set(request: HttpRequest, wanted: list[StepWanted], form: GraceForm) -> HttpResponseBase:
    given = form.cleaned_data
    steps.set_steps(
        steps=wanted,
        grace_days=given["grace_days"],
        shown=given["shown"],
        acting_user=person(request),
        now=clock.now(),
    )
    messages.success(request, f"{len(wanted)} step{'s are' if len(wanted) > 1 else ' is'} set for everything that falls due now.")
    return redirect("overdue_steps")


def _shown_anew(request: HttpRequest, version: StepsVersion) -> GraceForm:
    """Keep what was typed, with the table that is in force by now: set once more, it takes that one's place."""
    typed = request.POST.copy()
    typed["shown"] = str(version.number)
    form = GraceForm(typed)
    form.is_valid()
    return form


def _day_before() -> datetime.date:
    return clock.today().replace(day=1)


def _in_words(foreseen: list[Foreseen[Any]]) -> list[dict[str, Any]]:
    return [{"at": each.on, "text": _name(each.step), "note": _answer(each)} for each in foreseen]


def _name(step: rules.Step) -> str:
    kind, wording = OverdueStep.Kind(step.kind), step.wording
    return OverdueStep(kind=kind, wording=wording).name


def _answer(each: Foreseen[Any]) -> str:
    until = rules.answered_by(each.step, each.on)
    return (
        f"after {each.step.days} days; nothing more before {until:%b} {until.day}"
        if until > each.on
        else f"after {each.step.days} days"
    )
