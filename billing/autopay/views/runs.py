"""A run: what is in it, who approves it, letting it out, its file, and what became of it."""

from collections.abc import Callable

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from billing.autopay import filing, queries, refusing, running
from billing.autopay.forms import RefusedForm
from billing.autopay.views.common import AUTOPAY, CAUTION, EXPECTED
from billing.models import AutopayFile, AutopayRun
from billing.views.common import person
from rentals.runtime import clock
from rentals.staff.policy import may, require, requires

TONES = {"waiting": "warn", "ready": "info", "sent": "warn", "settled": "good", "refused": "bad", "cancelled": "quiet"}


@requires("books.view")
@never_cache
def run_list(request: HttpRequest) -> HttpResponseBase:
    """List all runs, newest first."""
    page = Paginator(queries.list_runs(), 25).get_page(request.GET.get("page"))
    rows = [(run, TONES[run.state]) for run in page]
    return render(request, "billing/autopay/runs.html", {"page": page, "rows": rows, "back": AUTOPAY})


@requires("books.view")
@never_cache
def run_page(request: HttpRequest, autopay_run_id: int) -> HttpResponseBase:
    """Show a run with its debits, and what can be done with it now."""
    run = get_object_or_404(queries.get_run(autopay_run_id))
    user = person(request)
    page = Paginator(queries.list_entries(run), 100).get_page(request.GET.get("page"))
    context = {
        "run": run,
        "tone": TONES[run.state],
        "page": page,
        "file": getattr(run, "file", None),
        "may_refuse": run.state in {"sent", "settled"} and refusing.why_not_refused(run) is None,
        "is_own": run.prepared_by_id == user.pk,
        "allowed": may(user, "autopay.run"),
        "may_approve": may(user, "autopay.approve"),
        "caution": CAUTION,
        "back": AUTOPAY,
    }
    return render(request, "billing/autopay/run.html", context)


def _approve(request: HttpRequest, run: AutopayRun) -> str:
    running.approve_run(run=run, acting_user=person(request), now=clock.now())
    return f"Run {run.number} is approved. It has not left yet."


def _let_out(request: HttpRequest, run: AutopayRun) -> str:
    done = running.let_out(run=run, acting_user=person(request), now=clock.now(), today=clock.today())
    return f"Run {done.number} is let out: download its file and give it to the bank, once."


def _cancel(request: HttpRequest, run: AutopayRun) -> str:
    running.cancel_run(run=run, acting_user=person(request), now=clock.now())
    return f"Run {run.number} is cancelled. What it selected can be selected again."


def _settled(request: HttpRequest, run: AutopayRun) -> str:
    running.settle_run(run=run, acting_user=person(request), now=clock.now())
    return f"Run {run.number} is settled."


ACTS: dict[str, tuple[str, Callable[[HttpRequest, AutopayRun], str]]] = {
    "approve": ("autopay.approve", _approve),
    "let_out": ("autopay.run", _let_out),
    "cancel": ("autopay.run", _cancel),
    "settled": ("autopay.run", _settled),
}


@requires("books.view")
@require_POST
def act(request: HttpRequest, autopay_run_id: int) -> HttpResponseBase:
    """Do one thing with a run, as its button says, and show it again."""
    run = get_object_or_404(AutopayRun, pk=autopay_run_id)
    known = ACTS.get(request.POST.get("act", ""))
    if known is not None:
        capability, do = known
        require(person(request), capability)
        try:
            messages.success(request, do(request, run))
        except EXPECTED as refused:
            messages.error(request, str(refused))
    return redirect("autopay_run", run.pk)


@requires("autopay.run")
@never_cache
def refused(request: HttpRequest, autopay_run_id: int) -> HttpResponseBase:
    """Ask what the bank said when it refused the whole file, and take every payment of it back."""
    run = get_object_or_404(queries.get_run(autopay_run_id))
    form = RefusedForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            refusing.refuse_run(
                run=run, why=form.cleaned_data["why"], acting_user=person(request), now=clock.now(), today=clock.today()
            )
        except EXPECTED as error:
            form.add_error(None, str(error))
        else:
            messages.success(
                request,
                f"Run {run.number} counts as refused: its payments are taken back, and their charges can be debited again.",
            )
            return redirect("autopay_run", run.pk)
    context = {
        "run": run,
        "form": form,
        "why_not": refusing.why_not_refused(run),
        "back": {"label": run.number, "url": reverse("autopay_run", args=[run.pk])},
    }
    return render(request, "billing/autopay/refused.html", context, status=422 if form.errors else 200)


@requires("autopay.run")
@require_GET
@never_cache
def download(request: HttpRequest, autopay_run_id: int) -> HttpResponseBase:
    """Give the file of a run that was let out: the same bytes each time."""
    file = get_object_or_404(AutopayFile.objects.select_related("run"), run=autopay_run_id)
    answer = StreamingHttpResponse(filing.read_parts(file), content_type="text/plain; charset=us-ascii")
    answer["Content-Disposition"] = f'attachment; filename="{file.run.number}.ach"'
    answer["Content-Length"] = str(file.size)
    return answer
