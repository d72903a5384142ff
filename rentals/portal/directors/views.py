"""A director's own pages, and the office's page of a director's sign-in."""

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from rentals.documents.pdf import CannotMakePdfError
from rentals.documents.sheets import pdf_answer
from rentals.portal.directors import operations, papers, roster
from rentals.runtime import clock
from rentals.runtime.exports import stream_csv
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires
from rentals.staff.views.people import link_page
from schools import directors
from schools.models import Director, Programme

COLUMNS = ["School", "Program", "Student", "Grade", "Instrument", "Size", "Tag", "Where", "Waits for the van"]


def _programmes(request: HttpRequest) -> list[Programme]:
    """Return the signed-in director's programmes; none while no consent stands."""
    director = roster.get_director(acting_user(request).pk, today=clock.today())
    return roster.list_programmes(director) if director else []


@requires("roster.view_own")
@require_safe
def director_roster(request: HttpRequest) -> HttpResponseBase:
    """Show the roster of all own programmes."""
    programmes = _programmes(request)
    parts = roster.list_parts(programmes, today=clock.today())
    shown = {"parts": parts, "programmes": programmes, "chosen": None, "caution": directors.CAUTION}
    return render(request, "portal/directors/roster.html", shown)


@requires("roster.view_own")
@require_safe
def director_programme(request: HttpRequest, programme_id: int) -> HttpResponseBase:
    """Show the roster of one own programme."""
    programmes = _programmes(request)
    own = _own(programmes, programme_id)
    parts = roster.list_parts([own], today=clock.today())
    shown = {"parts": parts, "programmes": programmes, "chosen": own, "caution": directors.CAUTION}
    return render(request, "portal/directors/roster.html", shown)


@requires("roster.view_own")
@limited("export", per_minute=EXPORTS)
@require_safe
def director_roster_csv(request: HttpRequest) -> HttpResponseBase:
    """Give the roster as a file."""
    programmes = _programmes(request)
    if not programmes:
        raise Http404
    rows = (
        [part.programme.school.name, part.programme.get_kind_display(), line.student, line.grade, *_unit(line)]
        for part in roster.list_parts(programmes, today=clock.today())
        for line in part.lines
    )
    return stream_csv(f"roster-{clock.today()}.csv", COLUMNS, rows)


@requires("roster.view_own")
@limited("export", per_minute=EXPORTS)
@require_safe
def director_roster_pdf(request: HttpRequest) -> HttpResponseBase:
    """Give the roster as a PDF, to print."""
    programmes, today = _programmes(request), clock.today()
    if not programmes:
        raise Http404
    try:
        content = papers.print_roster(heading="Your roster", parts=roster.list_parts(programmes, today=today), today=today)
    except CannotMakePdfError as error:
        messages.error(request, str(error))
        return redirect("director_roster")
    return pdf_answer(content, f"roster-{today}.pdf")


def _unit(line: roster.Line) -> list[str]:
    return [line.instrument, line.size, line.tag, line.where, line.waits]


def _own(programmes: list[Programme], programme_id: int) -> Programme:
    """Return one of these programmes; everybody else's is not there."""
    for programme in programmes:
        if programme.pk == programme_id:
            return programme
    raise Http404


def _page_of(director_id: int) -> str:
    return reverse("director_sign_in", args=[director_id])


@requires("schools.edit")
@require_safe
def director_sign_in(request: HttpRequest, director_id: int) -> HttpResponseBase:
    """Show whether a director can sign in, and invite or end from here."""
    director = get_object_or_404(Director.objects.select_related("user"), pk=director_id)
    shown = {
        "director": director,
        "programmes": roster.list_programmes(director),
        "consent": directors.consent_in_force(director.pk),
        "signs_in": director.user is not None and director.user.is_active,
        "caution": directors.CAUTION,
    }
    return render(request, "portal/directors/sign_in.html", shown)


@requires("schools.edit")
@require_POST
@stands_on(_page_of)
def director_invite(request: HttpRequest, director_id: int) -> HttpResponseBase:
    """Invite a director, or give a new password link."""
    director = get_object_or_404(Director, pk=director_id)
    try:
        person, token = operations.invite_director(director=director, acting_user=acting_user(request), now=clock.now())
    except operations.NotInvitedError as error:
        messages.error(request, str(error))
        return redirect("director_sign_in", director_id)
    return link_page(request, person, token, back=_page_of(director_id))


@requires("schools.edit")
@require_POST
@stands_on(_page_of)
def director_end(request: HttpRequest, director_id: int) -> HttpResponseBase:
    """End a director's sign-in."""
    director = get_object_or_404(Director, pk=director_id)
    operations.end_sign_in(director=director, acting_user=acting_user(request))
    messages.success(request, f"{director.name} can no longer sign in.")
    return redirect("director_sign_in", director_id)
