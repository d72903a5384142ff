"""Notices to families who are late: who would get which, sending them, and whom the manager has to decide about."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache

from billing import overdue
from billing.collecting import steps
from billing.models import OverdueNotice
from billing.views.common import BOOKS, person
from rentals.runtime import clock
from rentals.staff.policy import requires


@requires("outbox.send")
@never_cache
def overdue_notices(request: HttpRequest) -> HttpResponseBase:
    """Show who gets which notice today; by POST, send them all."""
    today = clock.today()
    if request.method == "POST":
        sent = overdue.take_overdue_steps(today=today, now=clock.now(), acting_user=person(request))
        if sent:
            what = "1 step is" if sent == 1 else f"{sent} steps are"
            messages.success(request, f"{what} taken: what is written is in the outbox, who is called on the call list.")
        else:
            messages.info(request, "No step was due any more.")
        return redirect("overdue_notices")
    due = overdue.list_steps_due(today=today)
    version = steps.get_version()
    context = {
        "due": due,
        "mails": sum(row.step.writes and row.is_mailed for row in due),
        "letters": sum(row.step.writes and not row.is_mailed for row in due),
        "others": sum(not row.step.writes for row in due),
        "for_manager": overdue.list_for_the_manager(today=today),
        "last": OverdueNotice.objects.order_by("-made_at").first(),
        "steps": steps.list_steps([version.pk])[version.pk],
        "back": BOOKS,
    }
    return render(request, "billing/notices.html", context)
