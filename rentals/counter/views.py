"""The search of the header, and a school's roster."""

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from rentals.counter import find, rosters
from rentals.staff.limits import SEARCHES, limited
from rentals.staff.policy import requires
from schools.models import School


@requires("search.use")
@limited("search", per_minute=SEARCHES)
@require_safe
def search(request: HttpRequest) -> HttpResponseBase:
    """Show what was found; while somebody types, only the hits."""
    live = bool(request.htmx)  # type: ignore[attr-defined]
    found = find.find_all(request.GET.get("q", ""), user=request.user, most=6 if live else 20)  # type: ignore[arg-type]
    return render(request, "counter/search_hits.html" if live else "counter/search.html", {"found": found, "live": live})


@requires("schools.view")
@require_safe
def school_roster(request: HttpRequest, school_id: int) -> HttpResponseBase:
    """Show who in a school's programmes has which instrument; made to be printed for the director."""
    school = get_object_or_404(School, pk=school_id)
    return render(request, "counter/roster.html", {"school": school, "roster": rosters.list_roster(school_id)})
