"""Numbers given out and what was taken back: for an auditor who asks where P-000017 is."""

import datetime

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render

from billing import reports
from billing.views.common import BOOKS, day_of
from rentals.runtime import clock
from rentals.staff.policy import requires


@requires("books.view")
def number_report(request: HttpRequest) -> HttpResponseBase:
    """Show each series with its gaps, and what was voided or came back in some days."""
    today = clock.today()
    begins_on = day_of(request.GET.get("from"), None) or (today - datetime.timedelta(days=90))
    through_on = day_of(request.GET.get("through"), None) or today
    context = {
        "series": reports.list_series(),
        "voids": reports.list_taken_back(begins_on=begins_on, through_on=through_on),
        "begins_on": begins_on,
        "through_on": through_on,
        "back": BOOKS,
    }
    return render(request, "billing/numbers.html", context)
