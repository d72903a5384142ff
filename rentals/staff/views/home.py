"""The first page after signing in, for each role what is done first today."""

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render

from rentals.runtime import clock
from rentals.staff.models import Role
from rentals.staff.policy import acting_user, requires
from rentals.staff.today import list_waiting


@requires("home.view")
def home(request: HttpRequest) -> HttpResponseBase:
    """Show where this person's day begins; a director's is the own roster."""
    if acting_user(request).role == Role.DIRECTOR:
        return redirect("director_roster")
    today = clock.today()
    return render(request, "staff/home.html", {"today": today, "acts": list_waiting(user=acting_user(request), today=today)})
