"""The first page of the books, the journal and the trial balance."""

from typing import Any

from django.core.paginator import Paginator
from django.db.models import Prefetch
from django.http import HttpRequest, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import render
from django.urls import reverse

from billing import aging, export, months, reports
from billing.models import Account, BillingRun, JournalEntry, Posting
from billing.views.common import BOOKS, day_of
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import requires


@requires("books.view")
def books(request: HttpRequest) -> HttpResponseBase:
    """Show what needs the bookkeeper today, and the way to everything else."""
    late = aging.total(aging.list_overdue(clock.today()))
    split = reports.split_receivables()
    on_hand, last_run = reports.sum_on_hand(), BillingRun.objects.order_by("-id").first()
    closed = months.last_closed()
    tiles = [
        {
            "label": "Owed by families",
            "value": written(split.owed),
            "url": reverse("trial_balance"),
            "note": f"{written(split.on_account)} on account in their favor",
        },
        {
            "label": "Overdue",
            "value": written(late.amount if late else ZERO),
            "url": reverse("aging"),
            "note": f"since {written_day(late.since)} at the longest" if late else "nobody",
        },
        {
            "label": "On hand, not deposited",
            "value": written(on_hand.amount),
            "url": reverse("deposits"),
            "note": "1 payment" if on_hand.count == 1 else f"{on_hand.count} payments",
        },
        {
            "label": "Billed through",
            "value": written_day(last_run.through_on) if last_run else "Never",
            "url": reverse("billing_runs"),
        },
        {
            "label": "Closed through",
            "value": written_day(closed, "month") if closed else "No month yet",
            "url": reverse("months"),
        },
    ]
    return render(request, "billing/books.html", {"tiles": tiles})


def _filters(request: HttpRequest) -> dict[str, Any]:
    today = clock.today()
    return {
        "begins_on": day_of(request.GET.get("from", today.replace(day=1).isoformat()), None),
        "through_on": day_of(request.GET.get("through"), None),
        "kind": request.GET.get("kind", ""),
        "account": request.GET.get("account", ""),
        "household": request.GET.get("household", "").strip(),
        "text": request.GET.get("text", "").strip(),
    }


@requires("books.view")
def journal(request: HttpRequest) -> HttpResponseBase:
    """List the journal's entries with their postings, filtered by the address."""
    wanted = _filters(request)
    postings = Prefetch("postings", Posting.objects.select_related("account", "household").order_by("id"))
    entries = reports.list_entries(**wanted).prefetch_related(postings).select_related("reverses", "made_by")
    context = {
        "page": Paginator(entries, 40).get_page(request.GET.get("page")),
        "wanted": wanted,
        "kinds": JournalEntry.Kind.choices,
        "accounts": Account.objects.all(),
        "address": request.GET.urlencode(),
        "back": BOOKS,
    }
    return render(request, "billing/journal.html", context)


@requires("books.view")
@limited("export", per_minute=EXPORTS)
def journal_csv(request: HttpRequest) -> HttpResponseBase:
    """Give the filtered journal as CSV."""
    entries = reports.list_entries(**_filters(request))
    rows = export.list_postings().filter(entry__in=entries)
    return _download(export.postings_csv(rows), "text/csv; charset=utf-8", "journal.csv")


@requires("books.view")
@limited("export", per_minute=EXPORTS)
def journal_beancount(request: HttpRequest) -> HttpResponseBase:
    """Give the whole journal in Beancount's text format."""
    return _download(export.beancount(), "text/plain; charset=utf-8", "journal.beancount")


def _download(lines: Any, content_type: str, name: str) -> StreamingHttpResponse:
    answer = StreamingHttpResponse(lines, content_type=content_type)
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


@requires("books.view")
def trial_balance(request: HttpRequest) -> HttpResponseBase:
    """Show every account at the end of a day."""
    on = day_of(request.GET.get("on"), None) or clock.today()
    rows = reports.list_trial_balance(on)
    context = {
        "rows": rows,
        "on": on,
        "debits": sum((row.debit or ZERO for row in rows), ZERO),
        "credits": sum((row.credit or ZERO for row in rows), ZERO),
        "back": BOOKS,
    }
    return render(request, "billing/trial_balance.html", context)
