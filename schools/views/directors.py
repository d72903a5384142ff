"""Screens of directors: who directs what, and what the school agreed that they may see."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from rentals.runtime import clock
from rentals.staff.policy import acting_user, requires
from schools import directors, forms
from schools.models import Director, School


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def director_add(request: HttpRequest, school_id: int) -> HttpResponseBase:
    """Write a director of a school down."""
    school = get_object_or_404(School, pk=school_id)
    first = {"programmes": list(school.programmes.values_list("pk", flat=True)), "since_on": clock.today()}
    form = forms.DirectorForm(request.POST or None, initial=first, school=school)
    if request.method == "POST" and form.is_valid():
        made = directors.add_director(facts=form.facts(), today=clock.today(), acting_user=acting_user(request))
        return _saved(request, school.pk, f"{made.name} is written down.")
    return _form(request, form, title=f"Add a director of {school.name}", school=school)


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def director_change(request: HttpRequest, school_id: int, director_id: int) -> HttpResponseBase:
    """Change a director: address, programmes, last day."""
    school, director = _of_school(school_id, director_id)
    first = {name: getattr(director, name) for name in ("name", "email", "phone", "since_on", "until_on", "version")}
    first["programmes"] = list(director.programmes.values_list("pk", flat=True))
    form = forms.DirectorForm(request.POST or None, initial=first, school=school)
    status = 422
    if request.method == "POST" and form.is_valid():
        try:
            directors.change_director(
                director_id=director_id,
                facts=form.facts(),
                version=form.cleaned_data["version"] or 0,
                today=clock.today(),
                acting_user=acting_user(request),
            )
        except directors.DirectorChangedError as error:
            form.add_error(None, str(error))
            status = 409
        else:
            return _saved(request, school_id, "The changes are saved.")
    return _form(request, form, title=f"Change {director.name}", school=school, refused=status)


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def consent_record(request: HttpRequest, school_id: int, director_id: int) -> HttpResponseBase:
    """Write down that the school agreed to let a director see the roster."""
    school, director = _of_school(school_id, director_id)
    form = forms.ConsentForm(request.POST or None, initial={"agreed_on": clock.today()}, today=clock.today())
    if request.method == "POST" and form.is_valid():
        try:
            directors.record_consent(
                director_id=director_id,
                agreed_by=form.cleaned_data["agreed_by"],
                agreed_on=form.cleaned_data["agreed_on"],
                acting_user=acting_user(request),
                now=clock.now(),
            )
        except directors.ConsentInForceError as error:
            form.add_error(None, str(error))
        else:
            return _saved(request, school_id, f"It is written down that {director.name} may see the roster.")
    title = f"What {director.name} may see"
    return _form(request, form, title=title, school=school, words=directors.WORDS, caution=directors.CAUTION)


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def consent_withdraw(request: HttpRequest, school_id: int, director_id: int) -> HttpResponseBase:
    """Withdraw what the school agreed; the director's sign-in ends at once."""
    school, director = _of_school(school_id, director_id)
    form = forms.WithdrawForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        why = form.cleaned_data["why"]
        try:
            directors.withdraw_consent(director_id=director_id, why=why, acting_user=acting_user(request), now=clock.now())
        except directors.NoConsentError as error:
            form.add_error(None, str(error))
        else:
            return _saved(request, school_id, f"Withdrawn. {director.name} sees nothing any more, and can no longer sign in.")
    return _form(request, form, title=f"Withdraw the consent for {director.name}", school=school)


def _of_school(school_id: int, director_id: int) -> tuple[School, Director]:
    school = get_object_or_404(School, pk=school_id)
    director = get_object_or_404(Director.objects.filter(programmes__school=school_id).distinct(), pk=director_id)
    return school, director


def _form(request: HttpRequest, form: Any, *, title: str, school: School, refused: int = 422, **told: str) -> HttpResponse:
    page = {"form": form, "title": title, "back": reverse("school", args=[school.pk]), "back_label": school.name, **told}
    return render(request, "schools/form.html", page, status=refused if form.is_bound else 200)


def _saved(request: HttpRequest, school_id: int, said: str) -> HttpResponse:
    messages.success(request, said)
    return redirect("school", school_id)
