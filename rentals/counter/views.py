"""The search of the header, and a school's roster."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_safe

from rentals.counter import find, rosters
from rentals.documents.pdf import CannotMakePdfError
from rentals.documents.sheets import pdf_answer
from rentals.portal.directors import papers, roster
from rentals.runtime import clock
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


@requires("schools.view")
@require_safe
def school_roster_pdf(request: HttpRequest, school_id: int) -> HttpResponseBase:
    """Give the roster as a PDF, to hand to the director."""
    school, today = get_object_or_404(School, pk=school_id), clock.today()
    programmes = list(school.programmes.select_related("school").order_by("kind"))
    parts = roster.list_parts(programmes, today=today)
    try:
        content = papers.print_roster(heading=f"Roster of {school.name}", parts=parts, today=today)
    except CannotMakePdfError as error:
        messages.error(request, str(error))
        return redirect("school_roster", school_id)
    return pdf_answer(content, f"roster-{school.pk}-{today}.pdf")
