"""Screens of schools, their programmes and required lists. Who plays what there is the roster, at the counter."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.runtime import clock
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, may, requires
from schools import ahead, calendar, contacts, directors, errands, forms, operations, queries, seasons
from schools.models import Programme, RequiredItem, School

SHOWN_TALKS = 5


@requires("schools.view")
@require_safe
def school_list(request: HttpRequest) -> HttpResponseBase:
    """List the schools."""
    text = request.GET.get("q", "").strip()
    chosen = request.GET.get("district", "")
    district_id = int(chosen) if chosen.isascii() and chosen.isdigit() and len(chosen) < 10 else None
    add = {"label": "Add a school", "url": reverse("school_add"), "main": True}
    steps = {"label": "Next steps", "url": reverse("next_steps")}
    take_in = {"label": "Take in a spreadsheet", "url": reverse("school_import")}
    actions = [steps, take_in, add] if may(request.user, "schools.edit") else [steps]
    rows = list(queries.list_schools(text=text, district_id=district_id))
    coming = ahead.look_ahead(rows, today=clock.today())
    context = {
        "schools": [(row, coming[row.pk]) for row in rows],
        "districts": queries.list_districts(),
        "district_id": district_id,
        "text": text,
        "filtered": bool(text or district_id),
        "actions": actions,
    }
    return render(request, "schools/list.html", context)


@requires("schools.view")
@require_safe
def school(request: HttpRequest, school_id: int) -> HttpResponseBase:
    """Show a school: address, programmes, directors, and what each programme asks a student to bring."""
    return _school_page(request, school_id)


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def add_school(request: HttpRequest) -> HttpResponseBase:
    """Write a school down."""
    form = forms.SchoolForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            made = operations.add_school(fields=form.cleaned_data, acting_user=request.user)  # type: ignore[arg-type]
        except operations.SchoolNameTakenError as error:
            form.add_error("name", str(error))
        else:
            return _saved(request, made.pk, f"{made.name} is written down. Add its band or orchestra next.")
    return _form(request, form, title="Add a school", back=reverse("schools"))


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def change_school(request: HttpRequest, school_id: int) -> HttpResponseBase:
    """Change a school's address, district or weekday."""
    shown = get_object_or_404(School, pk=school_id)
    form = forms.SchoolForm(request.POST or None, initial=_known(shown))
    if request.method == "POST" and form.is_valid():
        try:
            operations.change_school(school_id=school_id, fields=form.cleaned_data, acting_user=request.user)  # type: ignore[arg-type]
        except operations.SchoolNameTakenError as error:
            form.add_error("name", str(error))
        else:
            return _saved(request, school_id, "The changes are saved.")
    return _form(request, form, title=f"Change {shown.name}", back=reverse("school", args=[school_id]))


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def add_programme(request: HttpRequest, school_id: int) -> HttpResponseBase:
    """Give a school a band or an orchestra."""
    shown = get_object_or_404(School, pk=school_id)
    form = forms.ProgrammeForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            made = operations.add_programme(school=shown, fields=form.cleaned_data, acting_user=request.user)  # type: ignore[arg-type]
        except operations.ProgrammeExistsError as error:
            form.add_error("kind", str(error))
        else:
            return _saved(request, school_id, f"The {made.get_kind_display().lower()} is written down.")
    return _form(request, form, title=f"Add a programme of {shown.name}", back=reverse("school", args=[school_id]))


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def change_programme(request: HttpRequest, programme_id: int) -> HttpResponseBase:
    """Change when a programme begins and how many it expects."""
    shown = get_object_or_404(Programme.objects.select_related("school"), pk=programme_id)
    form = forms.ProgrammeForm(request.POST or None, initial={name: getattr(shown, name) for name in operations.PROGRAMME_FIELDS})
    if request.method == "POST" and form.is_valid():
        try:
            operations.change_programme(programme_id=programme_id, fields=form.cleaned_data, acting_user=request.user)  # type: ignore[arg-type]
        except operations.ProgrammeExistsError as error:
            form.add_error("kind", str(error))
        else:
            return _saved(request, shown.school_id, "The changes are saved.")
    return _form(request, form, title=f"Change {shown}", back=reverse("school", args=[shown.school_id]))


def _known(school: School) -> dict[str, Any]:
    known = {name: getattr(school, name) for name in operations.SCHOOL_FIELDS}
    return {**known, "district": str(school.district or "")}


def _page_of_list(programme_id: int) -> str:
    school_id = Programme.objects.filter(pk=programme_id).values_list("school_id", flat=True).first()
    return reverse("school", args=[school_id]) if school_id else reverse("schools")


@requires("schools.edit")
@require_POST
@stands_on(_page_of_list)
def add_required_item(request: HttpRequest, programme_id: int) -> HttpResponseBase:
    """Put a line on a programme's required list."""
    programme = get_object_or_404(Programme, pk=programme_id)
    form = forms.RequiredItemForm(request.POST, prefix=f"p{programme_id}")
    if not form.is_valid():
        return _school_page(request, programme.school_id, form, status=422)
    kind = form.cleaned_data["kind"]
    item = operations.put_on_required_list(programme=programme, kind=kind, facts=form.facts(), acting_user=acting_user(request))
    return _saved(request, programme.school_id, f"On the list for {item.kind}: {item.quantity} × {item.what}.")


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def copy_required_list(request: HttpRequest, programme_id: int) -> HttpResponseBase:
    """Take another programme's required list over."""
    target = get_object_or_404(Programme.objects.select_related("school"), pk=programme_id)
    form = forms.CopyListForm(request.POST or None, target=target)
    if request.method == "POST" and form.is_valid():
        source = form.cleaned_data["source"]
        count = operations.copy_required_list(source=source, target=target, acting_user=acting_user(request))
        return _saved(request, target.school_id, f"{count} lines taken over from {source}; what stood there stays.")
    return _form(request, form, title=f"Required list of {target}", back=reverse("school", args=[target.school_id]))


@requires("schools.edit")
@require_POST
def remove_required_item(request: HttpRequest, item_id: int) -> HttpResponseBase:
    """Take a line off a required list."""
    item = get_object_or_404(RequiredItem.objects.select_related("programme", "kind", "product"), pk=item_id)
    operations.take_off_required_list(item_id=item_id, acting_user=request.user)  # type: ignore[arg-type]
    return _saved(request, item.programme.school_id, f"Off the list for {item.kind}: {item.what}.")


def _school_page(
    request: HttpRequest, school_id: int, refused: forms.RequiredItemForm | None = None, status: int = 200
) -> HttpResponse:
    shown = get_object_or_404(School.objects.select_related("district"), pk=school_id)
    edits = may(request.user, "schools.edit")
    programmes = []
    listed = list(queries.list_programmes_of(school_id))
    signed = seasons.count_seasons(listed, today=clock.today())
    for programme in listed:
        prefix = f"p{programme.pk}"
        form = refused if refused is not None and refused.prefix == prefix else forms.RequiredItemForm(prefix=prefix)
        programmes.append((programme, form if edits else None, signed[programme.pk]))
    context: dict[str, Any] = {
        "school": shown,
        "programmes": programmes,
        "days": calendar.list_days(today=clock.today(), school=shown),
        "add_days_url": reverse("school_days_add", args=[school_id]),
        "directors": directors.list_directors(school_id),
        "talks": list(contacts.list_contacts(school_id)[:SHOWN_TALKS]),
        "today": clock.today(),
        "ahead": ahead.look_ahead([shown], today=clock.today())[shown.pk],
        "form": refused,
        "errands": list(errands.list_open().filter(school=shown)[:20]) if may(request.user, "errands.work") else [],
    }
    return render(request, "schools/school.html", context, status=status)


def _form(request: HttpRequest, form: Any, *, title: str, back: str) -> HttpResponse:
    page = {"form": form, "title": title, "back": back}
    return render(request, "schools/form.html", page, status=422 if form.is_bound else 200)


def _saved(request: HttpRequest, school_id: int, said: str) -> HttpResponse:
    messages.success(request, said)
    return redirect("school", school_id)
