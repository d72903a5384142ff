"""Autopay in the books: the next run before it is prepared, who was told what, the rates, and the bank's details."""

import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.autopay import noticing, queries, retries, rules, running, selecting
from billing.autopay.forms import PrepareForm, SetupForm
from billing.autopay.setting_up import FIELDS, write_setup
from billing.autopay.views.common import AUTOPAY, CAUTION, EXPECTED
from billing.models import AutopayEntry, AutopayNotice, AutopayRun, AutopaySetup
from billing.views.common import BOOKS, day_of, person
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money as written
from rentals.staff.policy import may, requires

SHOWN = 200
"""Families shown of each list; the rest is counted."""
OPEN_STATES = [AutopayRun.State.WAITING, AutopayRun.State.READY]


@requires("books.view")
@never_cache
def autopay(request: HttpRequest) -> HttpResponseBase:
    """Show the next run as it would be, and prepare it."""
    today, allowed = clock.today(), may(person(request), "autopay.run")
    earliest = rules.banking_day_after(today, 1)
    wanted = day_of(request.GET.get("on"), None) or earliest
    posted = request.POST if request.method == "POST" and allowed else None
    form = PrepareForm(posted, initial={"wanted_on": wanted})
    if posted is not None and form.is_valid():
        try:
            run = running.prepare_run(
                wanted_on=form.cleaned_data["wanted_on"], acting_user=person(request), now=clock.now(), today=today
            )
        except EXPECTED as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, f"Run {run.number} of {written(run.total)} is prepared. Nothing has left yet.")
            return redirect("autopay_run", run.pk)
    effective_on = rules.effective_on(sent_on=today, wanted_on=wanted)
    notices, waiting = list(queries.list_open_notices()), retries.list_waiting()
    candidates = selecting.judge(notices, waiting, effective_on=effective_on, today=today)
    context = {
        **_next_run(candidates),
        **_rest(notices, waiting, today),
        "effective_on": effective_on,
        "form": form,
        "allowed": allowed,
    }
    return render(request, "billing/autopay/overview.html", context, status=422 if form.errors else 200)


def _next_run(candidates: list[selecting.Candidate]) -> dict[str, Any]:
    chosen = [each for each in candidates if each.is_selected]
    left_out = [each for each in candidates if not each.is_selected]
    return {
        "chosen": chosen[:SHOWN],
        "chosen_count": len(chosen),
        "total": sum((each.amount for each in chosen), ZERO),
        "left_out": left_out[:SHOWN],
        "left_out_count": len(left_out),
    }


def _rest(notices: list[AutopayNotice], waiting: list[AutopayEntry], today: datetime.date) -> dict[str, Any]:
    runs = list(AutopayRun.objects.filter(state__in=[*OPEN_STATES, AutopayRun.State.SENT]).order_by("pk")[:20])
    told = sum((notice.amount for notice in notices), ZERO)
    standing = queries.get_standing(today=today)
    return {
        "tiles": [
            {"label": "Families on autopay", "value": str(standing.in_force)},
            {
                "label": "Told, not debited yet",
                "value": written(told),
                "note": f"{len(notices)} famil{'y' if len(notices) == 1 else 'ies'}",
            },
            {"label": "To be presented again", "value": str(len(waiting))},
            {"label": "Came back in 60 days", "value": str(standing.rates[-1].returned)},
        ],
        "setup": standing.setup,
        "open_run": next((run for run in runs if run.state in OPEN_STATES), None),
        "unknown": [run for run in runs if run.state == AutopayRun.State.SENT],
        "rates": standing.rates,
        "notices": notices[:SHOWN],
        "debit_day": noticing.debit_day(today),
        "caution": CAUTION,
        "back": BOOKS,
    }


@requires("autopay.run")
@require_POST
def tell_families(request: HttpRequest) -> HttpResponseBase:
    """Send the notices that are due, without waiting for the night."""
    told = noticing.give_notices(today=clock.today(), now=clock.now(), acting_user=person(request))
    messages.success(request, f"{told} {'family is' if told == 1 else 'families are'} told; the letters are in the outbox.")
    return redirect("autopay")


@requires("autopay.set_up")
@never_cache
def bank_details(request: HttpRequest) -> HttpResponseBase:
    """Ask for what the bank gave the shop for its files."""
    known = AutopaySetup.objects.first()
    form = SetupForm(request.POST or None, initial={name: getattr(known, name) for name in FIELDS} if known else {})
    if request.method == "POST" and form.is_valid():
        write_setup(setup=form.setup(), acting_user=person(request))
        messages.success(request, "The bank’s details are written down. They stand in every file from now on.")
        return redirect("autopay")
    context = {"form": form, "caution": CAUTION, "back": AUTOPAY}
    return render(request, "billing/autopay/setup.html", context, status=422 if form.errors else 200)
