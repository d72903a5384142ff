"""Reminders of annual cleanings: who would be reminded, and reminding them now."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache

from rentals.counter import cleanings
from rentals.documents.models import OutboxMessage
from rentals.runtime import clock
from rentals.staff.policy import requires


@requires("outbox.send")
@never_cache
def cleaning_reminders(request: HttpRequest) -> HttpResponseBase:
    """Show who is reminded of which cleaning today; by POST, write the reminders."""
    today = clock.today()
    if request.method == "POST":
        written = cleanings.remind_of_cleanings(today=today, now=clock.now(), acting_user=request.user)  # type: ignore[arg-type]
        if written:
            messages.success(request, f"{written} {'reminder is' if written == 1 else 'reminders are'} in the outbox.")
        else:
            messages.info(request, "No reminder was due any more.")
        return redirect("cleaning_reminders")
    due = cleanings.list_reminders_due(today=today)
    context = {
        "due": due,
        "today": today,
        "mails": sum(bool(row.receiver.email) and not row.receiver.is_unwanted for row in due),
        "letters": sum(not row.receiver.email and not row.receiver.is_unwanted for row in due),
        "unwanted": sum(row.receiver.is_unwanted for row in due),
        "last": OutboxMessage.objects.filter(kind="cleaning").order_by("-queued_at", "-pk").first(),
        "days_ahead": cleanings.DAYS_AHEAD,
    }
    return render(request, "counter/cleaning_reminders.html", context)
