"""Screens of districts, and of the days in the calendar of a district or a school."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.runtime import clock
from rentals.staff.policy import acting_user, requires
from schools import calendar, forms, queries
from schools.models import District, School, SchoolDay


@requires("schools.view")
@require_safe
def district(request: HttpRequest, district_id: int) -> HttpResponseBase:
    """Show a district: its schools with their programmes, and its days."""
    shown = get_object_or_404(District, pk=district_id)
    context = {
        "district": shown,
        "schools": queries.list_schools(district_id=district_id),
        "days": calendar.list_days(today=clock.today(), district_id=district_id),
        "add_days_url": reverse("district_days_add", args=[district_id]),
    }
    return render(request, "schools/district.html", context)


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def district_days_add(request: HttpRequest, district_id: int) -> HttpResponseBase:
    """Put days into a district's calendar, from a list."""
    shown = get_object_or_404(District, pk=district_id)
    return _add_days(request, shown, reverse("district", args=[district_id]))


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def school_days_add(request: HttpRequest, school_id: int) -> HttpResponseBase:
    """Put days into a school's own calendar, from a list."""
    shown = get_object_or_404(School, pk=school_id)
    return _add_days(request, shown, reverse("school", args=[school_id]))


@requires("schools.edit")
@require_POST
def school_day_remove(request: HttpRequest, day_id: int) -> HttpResponse:
    """Take days out of the calendar."""
    day = get_object_or_404(SchoolDay, pk=day_id)
    calendar.remove_day(day_id=day_id, acting_user=acting_user(request))
    messages.success(request, f"Out of the calendar: {day.name or day.get_kind_display()}.")
    return redirect("district", day.district_id) if day.district_id else redirect("school", day.school_id)


def _add_days(request: HttpRequest, whose: District | School, back: str) -> HttpResponse:
    form = forms.DaysForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        of = {"district": whose} if isinstance(whose, District) else {"school": whose}
        days = calendar.add_days(
            kind=form.cleaned_data["kind"],
            days=form.cleaned_data["days"],
            acting_user=acting_user(request),
            **of,
        )
        messages.success(request, f"In the calendar: {len(days)} {'entry' if len(days) == 1 else 'entries'}.")
        return redirect(back)
    page = {"form": form, "title": f"Days of {whose.name}", "back": back, "back_label": whose.name}
    return render(request, "schools/form.html", page, status=422 if form.is_bound else 200)
