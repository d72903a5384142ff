"""Reports of a month, on screen and as files. Month and filter stand in the address, for every form alike."""

from collections.abc import Callable

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.closing import files, papers, span
from billing.closing.reports.catalog import KINDS, Kind
from billing.closing.reports.table import Column, Report, Row, narrowed
from billing.views.common import BOOKS
from rentals.runtime import clock
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import requires


def _month(request: HttpRequest) -> span.Month:
    """The month in the address; else the last one that is over, if the books had begun."""
    wanted = span.read_month(request.GET.get("month"))
    if wanted:
        return wanted
    this = span.month_of(clock.today())
    first = span.first_month(clock.today())
    return max(span.month_of(this.day_before), first, key=lambda month: month.first_day)


def _made(request: HttpRequest, code: str) -> Report:
    if code not in KINDS:
        raise Http404
    report = KINDS[code].make(_month(request))
    return narrowed(report, text=request.GET.get("text", ""), empty=request.GET.get("empty") == "1")


@requires("books.view")
@never_cache
def reports(request: HttpRequest) -> HttpResponseBase:
    """List the reports of a month."""
    month = _month(request)
    listed = [(kind, f"{reverse('report', args=[kind.code])}?month={month.code}") for kind in KINDS.values()]
    context = {"month": month, "months": span.list_months(clock.today()), "listed": listed, "back": BOOKS}
    return render(request, "billing/closing/reports.html", context)


@requires("books.view")
@never_cache
def report(request: HttpRequest, report_code: str) -> HttpResponseBase:
    """Show one report."""
    made = _made(request, report_code)
    context = {
        "report": made,
        "rows": [(row, _cells(made, row)) for row in made.rows],
        "total": _cells(made, made.total) if made.total else None,
        "months": span.list_months(clock.today()),
        "text": request.GET.get("text", ""),
        "empty": request.GET.get("empty") == "1",
        "address": f"?{request.GET.urlencode()}" if request.GET else "",
        "back": {"label": "Reports", "url": f"{reverse('reports')}?month={made.month.code}"},
        "others": _others(made, KINDS[report_code]),
    }
    return render(request, "billing/closing/report.html", context)


def _cells(made: Report, row: Row) -> list[tuple[str, Column]]:
    return [(column.written(cell), column) for cell, column in zip(row.cells, made.columns, strict=True)]


def _others(made: Report, current: Kind) -> list[dict[str, object]]:
    return [
        {"label": kind.title, "url": f"{reverse('report', args=[kind.code])}?month={made.month.code}", "current": kind == current}
        for kind in KINDS.values()
    ]


def _file(request: HttpRequest, code: str, ending: str, kind: str, write: Callable[[Report], str | bytes]) -> HttpResponseBase:
    made = _made(request, code)
    answer = HttpResponse(write(made), content_type=kind)
    answer["Content-Disposition"] = f'attachment; filename="{made.code}-{made.month.code}.{ending}"'
    return answer


@requires("books.view")
@limited("export", per_minute=EXPORTS)
def report_csv(request: HttpRequest, report_code: str) -> HttpResponseBase:
    """Give a report as CSV."""
    return _file(request, report_code, "csv", "text/csv; charset=utf-8", files.to_csv)


@requires("books.view")
@limited("export", per_minute=EXPORTS)
def report_xlsx(request: HttpRequest, report_code: str) -> HttpResponseBase:
    """Give a report as a spreadsheet."""
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
    return _file(request, report_code, "xlsx", kind, files.to_xlsx)


@requires("books.view")
@require_POST
@limited("export", per_minute=EXPORTS)
def report_pdf(request: HttpRequest, report_code: str) -> HttpResponseBase:
    """Have a report printed to PDF, and go there."""
    document = papers.ask_for_report(report=_made(request, report_code), now=clock.now())
    return redirect("document", document_id=document.pk)
