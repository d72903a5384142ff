"""Screens of what a programme's director asks for: beginners by kind, approved models, usual sizes."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from rentals.runtime import clock
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, may, requires
from schools import seasons, wish_forms, wishes
from schools.models import ApprovedItem, KindExpected, Programme, UsualSize

FORMS: dict[str, Any] = {
    "expected": wish_forms.ExpectedForm,
    "approved": wish_forms.ApprovedForm,
    "sizes": wish_forms.UsualSizeForm,
}


@requires("schools.view")
@require_safe
def programme_wishes(request: HttpRequest, programme_id: int) -> HttpResponseBase:
    """Show what a programme's director asks for, and take more in."""
    return _page(request, _programme(programme_id))


def _page_of_wishes(programme_id: int) -> str:
    return reverse("programme_wishes", args=[programme_id])


@requires("schools.edit")
@require_POST
@stands_on(_page_of_wishes)
def wish_expected(request: HttpRequest, programme_id: int) -> HttpResponseBase:
    """Write down how many begin on a kind."""
    return _take_in(request, programme_id, "expected", wishes.expect, lambda row: f"{row.kind}: {row.count} begin.")


@requires("schools.edit")
@require_POST
@stands_on(_page_of_wishes)
def wish_approved(request: HttpRequest, programme_id: int) -> HttpResponseBase:
    """Put a model on the director's list."""
    return _take_in(request, programme_id, "approved", wishes.approve, lambda row: f"On the director’s list: {row.item}.")


@requires("schools.edit")
@require_POST
@stands_on(_page_of_wishes)
def wish_size(request: HttpRequest, programme_id: int) -> HttpResponseBase:
    """Write a school year's usual size down."""
    return _take_in(
        request, programme_id, "sizes", wishes.set_usual_size, lambda row: f"{row.kind} in grade {row.grade}: usually {row.size}."
    )


@requires("schools.edit")
@require_POST
def wish_take_off(request: HttpRequest, programme_id: int) -> HttpResponseBase:
    """Take one wish off: `expected`, `approved` or `sizes` names the row."""
    programme = _programme(programme_id)
    models: dict[str, Any] = {"expected": KindExpected, "approved": ApprovedItem, "sizes": UsualSize}
    for name, model in models.items():
        written = request.POST.get(name, "")
        if written.isascii() and written.isdigit() and len(written) < 16:
            wishes.take_off(model=model, programme=programme, pk=int(written), acting_user=acting_user(request))
            messages.success(request, "Taken off.")
    return redirect("programme_wishes", programme.pk)


def _take_in(
    request: HttpRequest, programme_id: int, name: str, keep: Callable[..., Any], said: Callable[[Any], str]
) -> HttpResponse:
    """Keep one wish of the form `name` and say so, or show the page once more with what is wrong."""
    programme = _programme(programme_id)
    form = FORMS[name](request.POST, prefix=name)
    if not form.is_valid():
        return _page(request, programme, refused=form)
    row = keep(programme=programme, **form.cleaned_data, acting_user=acting_user(request))
    return _saved(request, programme, said(row))


def _programme(programme_id: int) -> Programme:
    return get_object_or_404(Programme.objects.select_related("school"), pk=programme_id)


def _page(request: HttpRequest, programme: Programme, refused: Any = None) -> HttpResponse:
    asked_for = wishes.list_wishes(programme.pk)
    signed = seasons.count_seasons([programme], today=clock.today())[programme.pk]
    expected = [(row, [season.by_kind.get(row.kind_id, 0) for season in signed]) for row in asked_for.expected]
    context: dict[str, Any] = {"programme": programme, "wishes": asked_for, "form": refused}
    context |= {"seasons": signed, "expected": expected}
    if may(request.user, "schools.edit"):
        made = {name: form(prefix=name) for name, form in FORMS.items()}
        context["forms"] = {**made, **({refused.prefix: refused} if refused is not None else {})}
    return render(request, "schools/wishes.html", context, status=200 if refused is None else 422)


def _saved(request: HttpRequest, programme: Programme, said: str) -> HttpResponse:
    messages.success(request, said)
    return redirect("programme_wishes", programme.pk)
