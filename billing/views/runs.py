"""Billing runs: a look before one is started, watching it, and what it did."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache

from billing import preview, runs
from billing.forms import RunForm
from billing.models import BillingRun
from billing.views.common import BOOKS, person
from rentals.runtime import clock
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.policy import requires

STATE = {BillingRun.State.DONE: "finished", BillingRun.State.FAILED: "failed"}
WORDS = {
    BillingRun.State.WAITING: ("Waiting", "quiet"),
    BillingRun.State.RUNNING: ("Running", "info"),
    BillingRun.State.DONE: ("Finished", "good"),
    BillingRun.State.FAILED: ("Stopped", "bad"),
}


@requires("billing.run")
@never_cache
def billing_runs(request: HttpRequest) -> HttpResponseBase:
    """List the runs, and start one."""
    form = RunForm(request.POST or None, today=clock.today(), initial={"through_on": clock.today()})
    if request.method == "POST" and form.is_valid():
        try:
            run = runs.start_run(through_on=form.cleaned_data["through_on"], acting_user=person(request), now=clock.now())
        except runs.RunUnderWayError as under_way:
            messages.info(request, str(under_way))
            run = under_way.run
        return redirect("billing_run", run.pk)
    return _list_page(request, form)


@requires("billing.run")
@never_cache
def billing_preview(request: HttpRequest) -> HttpResponseBase:
    """Show what a run through a day would bill, before it is started; without a day, through today."""
    form = RunForm(request.GET or {"through_on": clock.today()}, today=clock.today())
    if not form.is_valid():
        return _list_page(request, form)
    through_on = form.cleaned_data["through_on"]
    found = preview.get_preview(through_on)
    context = {
        "through_on": through_on,
        "through_text": through_on.isoformat(),
        "found": found,
        "sorts": [("Rent", found.rent), ("Protection", found.protection), ("Sales tax", found.tax)],
        "back": {"label": "Billing runs", "url": reverse("billing_runs")},
    }
    return render(request, "billing/run_preview.html", context)


def _list_page(request: HttpRequest, form: RunForm) -> HttpResponseBase:
    page = Paginator(BillingRun.objects.select_related("asked_by").order_by("-id"), 25).get_page(request.GET.get("page"))
    context = {"form": form, "page": page, "rows": [(run, *WORDS[BillingRun.State(run.state)]) for run in page], "back": BOOKS}
    return render(request, "billing/runs.html", context, status=422 if form.errors else 200)


@requires("billing.run")
@never_cache
def billing_run(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """Show how far a run is, and in the end what it did. The page may be left and opened again."""
    run = get_object_or_404(BillingRun.objects.select_related("asked_by"), pk=run_id)
    context = {"run": run, "back": {"label": "Billing runs", "url": reverse("billing_runs")}, **_progress(run)}
    return render(request, "billing/run.html", context)


@requires("billing.run")
@never_cache
def run_progress(request: HttpRequest, run_id: int) -> HttpResponseBase:
    """The part of the page that moves."""
    run = get_object_or_404(BillingRun, pk=run_id)
    return render(request, "billing/run_progress.html", {"run": run, **_progress(run)})


def _progress(run: BillingRun) -> dict[str, Any]:
    text = f"{run.billed} charges, {written(run.billed_amount)} so far."
    if run.state == BillingRun.State.WAITING:
        text = "A worker takes it up in a moment. You may leave this page."
    return {
        "state": STATE.get(BillingRun.State(run.state), "running"),
        "label": f"Billing through {written_day(run.through_on)}",
        "text": text,
        "url": reverse("billing_run_progress", args=[run.pk]),
    }
