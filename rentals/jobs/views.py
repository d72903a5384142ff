"""What runs by itself: what ran, what runs, what was given up, and a button for each."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from rentals.jobs import alarms, operations, queries, timetable
from rentals.jobs.models import JobRun
from rentals.runtime import clock
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import moment as written_moment
from rentals.staff.policy import acting_user, requires

State = JobRun.State
TONES = {State.WAITING: "quiet", State.RUNNING: "info", State.DONE: "good", State.STOPPED: "warn", State.GIVEN_UP: "bad"}
PROGRESS = {State.WAITING: "waiting", State.RUNNING: "running", State.DONE: "finished"}
JOBS: dict[str, str] = {"label": "Jobs"}


@requires("jobs.view")
@never_cache
def jobs(request: HttpRequest) -> HttpResponseBase:
    """Show what is wrong, what was given up, what runs now, and the timetable with the last run of each job."""
    now = clock.now()
    context = {
        "alarms": alarms.list_alarms(now=now),
        "given_up": [_row(run) for run in queries.list_given_up()[:20]],
        "open_runs": [_row(run) for run in queries.list_open()[:20]],
        "days": [{"line": line, "last": _row(line.last) if line.last else None} for line in queries.list_day_lines(now=now)],
        "rounds": queries.list_round_lines(now=now),
    }
    return render(request, "jobs/jobs.html", context)


@requires("jobs.view")
@never_cache
def job_runs(request: HttpRequest) -> HttpResponseBase:
    """List all runs, the latest first, of one state or job when asked."""
    wanted = {name: request.GET.get(name, "").strip() for name in ("state", "code")}
    page = Paginator(queries.list_runs(**wanted), 50).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "rows": [_row(run) for run in page],
        "wanted": wanted,
        "filtered": any(wanted.values()),
        "states": State.choices,
        "codes": [(job.code, job.title) for job in timetable.list_day_jobs()],
        "back": _back(),
    }
    return render(request, "jobs/runs.html", context)


@requires("jobs.view")
@never_cache
def job_run(request: HttpRequest, job_run_id: int) -> HttpResponseBase:
    """Show one run: how far it is, what became of it, and what can be done."""
    run = get_object_or_404(JobRun.objects.select_related("asked_by"), pk=job_run_id)
    return render(request, "jobs/run.html", {**_progress(run), "back": _back()})


@requires("jobs.view")
@never_cache
def job_run_progress(request: HttpRequest, job_run_id: int) -> HttpResponseBase:
    """The part of a run's page that moves."""
    return render(request, "jobs/progress.html", _progress(get_object_or_404(JobRun, pk=job_run_id)))


@requires("jobs.run")
@require_POST
def job_run_now(request: HttpRequest) -> HttpResponseBase:
    """Have a job done now. What it did today already is not done twice."""
    try:
        run = operations.run_now(
            code=request.POST.get("code", ""), acting_user=acting_user(request), today=clock.today(), now=clock.now()
        )
    except timetable.UnknownJobError:
        raise Http404 from None
    except operations.JobUnderWayError as error:
        messages.info(request, str(error))
        run = error.run
    return redirect("job_run", job_run_id=run.pk)


@requires("jobs.run")
@require_POST
def job_run_again(request: HttpRequest, job_run_id: int) -> HttpResponseBase:
    """Have a run that is over done again."""
    run = get_object_or_404(JobRun, pk=job_run_id)
    try:
        operations.run_again(run=run, acting_user=acting_user(request), now=clock.now())
    except operations.JobUnderWayError as error:
        messages.info(request, str(error))
    return redirect("job_run", job_run_id=run.pk)


@requires("jobs.run")
@require_POST
def job_run_stop(request: HttpRequest, job_run_id: int) -> HttpResponseBase:
    """Stop a run at its next resting place."""
    run = get_object_or_404(JobRun, pk=job_run_id)
    try:
        operations.stop(run=run, acting_user=acting_user(request), now=clock.now())
    except operations.JobOverError as error:
        messages.info(request, str(error))
    else:
        messages.success(request, f"It stops at its next resting place. {_what_stays(run)}")
    return redirect("job_run", job_run_id=run.pk)


def _back() -> dict[str, str]:
    return {**JOBS, "url": reverse("jobs")}


def _row(run: JobRun) -> dict[str, Any]:
    state = State(run.state)
    return {
        "run": run,
        "title": queries.title_of(run.code),
        "url": reverse("job_run", args=[run.pk]),
        "status": {"word": state.label, "tone": TONES[state]},
    }


def _what_stays(run: JobRun) -> str:
    job = timetable.DAY_JOBS.get(run.code)
    if job is not None and job.whole:
        return "What it had half done is taken back. Run again, it begins anew."
    return "What it did stays. Run again, it goes on with the rest."


def _progress(run: JobRun) -> dict[str, Any]:
    label = f"{queries.title_of(run.code)}, {written_day(run.on)}"
    text = ""
    if run.state == State.WAITING:
        text = "A worker takes it up in a moment."
        if run.next_try_at:
            text = f"It is tried again by itself, {written_moment(run.next_try_at)}. {run.last_error}"
    elif run.stop_asked_at and run.state == State.RUNNING:
        text = "It was asked to stop and does so at its next resting place."
    elif run.state == State.RUNNING:
        text = run.said
    return {
        **_row(run),
        "label": label,
        "state": PROGRESS.get(State(run.state), "failed"),
        "text": text,
        "stopped": f"{run.last_error} {_what_stays(run)}".strip(),
        "handled": run.done + run.failed,
        "progress_url": reverse("job_run_progress", args=[run.pk]),
    }
