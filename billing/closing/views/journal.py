"""The journal of a span as a file for another program: CSV for any, Beancount's and hledger's text."""

import datetime

from django.http import HttpRequest, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache

from billing import export
from billing.closing import span
from billing.views.common import BOOKS, day_of
from rentals.runtime import clock
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.policy import requires

FORMATS = {
    "csv": ("CSV, one posting a row", "text/csv; charset=utf-8", "csv"),
    "beancount": ("Beancount", "text/plain; charset=utf-8", "beancount"),
    "hledger": ("hledger", "text/plain; charset=utf-8", "journal"),
}


def _span(request: HttpRequest) -> tuple[datetime.date, datetime.date]:
    """The days in the address, both included; else the last month that is over."""
    last = span.month_of(span.month_of(clock.today()).day_before)
    begins_on = day_of(request.GET.get("from"), None) or last.first_day
    through_on = day_of(request.GET.get("through"), None) or max(last.last_day, begins_on)
    return begins_on, through_on


@requires("books.view")
@never_cache
def journal_files(request: HttpRequest) -> HttpResponseBase:
    """Ask which days, and in which format."""
    begins_on, through_on = _span(request)
    formats = [(code, label) for code, (label, _, _) in FORMATS.items()]
    context = {"begins_on": begins_on, "through_on": through_on, "formats": formats, "headings": export.HEADINGS, "back": BOOKS}
    return render(request, "billing/closing/journal_files.html", context)


@requires("books.view")
@limited("export", per_minute=EXPORTS)
def journal_file(request: HttpRequest) -> HttpResponseBase:
    """Give the journal of the days in the address; an unknown format gives CSV."""
    begins_on, through_on = _span(request)
    code = request.GET.get("format", "csv")
    _, kind, ending = FORMATS.get(code, FORMATS["csv"])
    if code in {"beancount", "hledger"}:
        write = export.beancount if code == "beancount" else export.hledger
        lines = write(begins_on=begins_on, through_on=through_on, with_opening=request.GET.get("opening") == "1")
    else:
        lines = export.journal_csv(begins_on=begins_on, through_on=through_on)
    answer = StreamingHttpResponse(lines, content_type=kind)
    answer["Content-Disposition"] = f'attachment; filename="journal-{begins_on}-{through_on}.{ending}"'
    return answer
