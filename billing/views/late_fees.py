"""Late fees: what would be charged today, and charging it now instead of tonight."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache

from billing import late_fees
from billing.views.common import BOOKS, person
from rentals.agreements.queries import list_offered_versions
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.staff.policy import requires


@requires("late_fees.charge")
@never_cache
def late_fees_due(request: HttpRequest) -> HttpResponseBase:
    """Show which late fees are due; by POST, charge them all."""
    today = clock.today()
    if request.method == "POST":
        made = late_fees.charge_late_fees(today=today, now=clock.now(), acting_user=person(request))
        messages.success(request, f"{made} late fee{' is' if made == 1 else 's are'} charged.")
        return redirect("late_fees")
    due = late_fees.list_late_fees_due(today=today)
    context = {
        "due": due,
        "total": sum((row.fee for row in due), ZERO),
        "plans": list_offered_versions(),
        "back": BOOKS,
    }
    return render(request, "billing/late_fees.html", context)
