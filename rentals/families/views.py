"""Screens that write families down and change them. The household's own page, with its account, stands at the counter."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.families import forms, operations, queries, rules
from rentals.families.models import Consent, Guardian, Household, Student
from rentals.runtime import clock
from rentals.runtime.forms import OfficeForm
from rentals.staff.limits import SEARCHES, limited
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import requires


@requires("households.view")
@limited("search", per_minute=SEARCHES)
@require_safe
def find(request: HttpRequest) -> HttpResponseBase:
    """Find a family, with or without JavaScript: the whole page, or only the hits while somebody types."""
    text = request.GET.get("q", "")
    context = {"text": text, "hits": queries.search_households(text, 12), "short": len(text.strip()) < 3}
    return render(request, "families/hits.html" if request.htmx else "families/find.html", context)  # type: ignore[attr-defined]


@requires("households.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def add_household(request: HttpRequest) -> HttpResponseBase:
    """Write a family down; one that may be there already is offered first."""
    form = forms.AddHouseholdForm(request.POST or None, initial=rules.known_from(request.GET.get("q", "")))
    if request.method != "POST":
        return render(request, "families/add_household.html", {"form": form})
    if not form.is_valid():
        return render(request, "families/add_household.html", {"form": form}, status=422)
    likely = [] if "anyway" in request.POST else _likely(form)
    if likely:
        return render(request, "families/add_household.html", {"form": form, "likely": likely}, status=409)
    try:
        household = operations.add_household(
            **form.household(),
            guardian=form.guardian(),
            acting_user=request.user,  # type: ignore[arg-type]
            request_key=form.cleaned_data["request_key"],
        )
    except RequestKeyReusedError as error:
        form.add_error(None, str(error))
        return render(request, "families/add_household.html", {"form": form}, status=422)
    messages.success(request, f"{household.name} is written down as {household.number}. Add the student next.")
    return redirect("household", household.pk)


@requires("households.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def change_household(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Change a family's name, address, language or notes."""
    household = get_object_or_404(Household, pk=household_id)
    shown = {field: getattr(household, field) for field in (*operations.HOUSEHOLD_FIELDS, "version")}
    form = forms.ChangeHouseholdForm(request.POST or None, initial=shown)
    page = {"form": form, "household": household, "title": "Change the household", "button": "Save the changes"}
    if request.method == "POST" and form.is_valid():
        try:
            operations.change_household(
                household_id=household_id,
                version=form.cleaned_data["version"],
                changes=form.changes(),
                acting_user=request.user,  # type: ignore[arg-type]
            )
        except operations.HouseholdChangedError as error:
            return _changed_meanwhile(request, page, error)
        return _back(request, household, "The changes are saved.")
    return _form(request, page)


@requires("households.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def add_guardian(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Write down another guardian of a family."""
    household = get_object_or_404(Household, pk=household_id)
    initial = {"family_name": household.name, "version": household.version}
    form = forms.GuardianForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        guardian = operations.add_guardian(
            household=household,
            **form.guardian(),
            is_primary=form.cleaned_data["is_primary"],
            acting_user=request.user,  # type: ignore[arg-type]
        )
        return _back(request, household, f"{guardian} is written down as a guardian.")
    return _form(request, {"form": form, "household": household, "title": "Add a guardian", "button": "Add the guardian"})


@requires("households.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def change_guardian(request: HttpRequest, guardian_id: int) -> HttpResponseBase:
    """Change a guardian's name and how to reach them."""
    guardian = get_object_or_404(Guardian.objects.select_related("household"), pk=guardian_id)
    shown = {field: getattr(guardian, field) for field in (*operations.GUARDIAN_FIELDS, "is_primary")}
    form = forms.GuardianForm(request.POST or None, initial={**shown, "version": guardian.household.version})
    page = {"form": form, "household": guardian.household, "title": f"Change {guardian}", "button": "Save the changes"}
    page["guardian"] = guardian
    page["consents"] = guardian.consents.select_related("taken_by").order_by("-given_at")
    if request.method == "POST" and form.is_valid():
        try:
            operations.change_guardian(
                guardian_id=guardian_id,
                version=form.cleaned_data["version"],
                changes=form.guardian(),
                is_primary=form.cleaned_data["is_primary"],
                acting_user=request.user,  # type: ignore[arg-type]
            )
        except operations.HouseholdChangedError as error:
            return _changed_meanwhile(request, page, error)
        return _back(request, guardian.household, "The changes are saved.")
    return _form(request, page)


@requires("households.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def add_student(request: HttpRequest, household_id: int) -> HttpResponseBase:
    """Write down a student of a family; nothing about the family is asked again."""
    household = get_object_or_404(Household, pk=household_id)
    form = forms.StudentForm(request.POST or None, initial={"family_name": household.name, "version": household.version})
    if request.method == "POST" and form.is_valid():
        student = operations.add_student(household=household, **form.student(), acting_user=request.user)  # type: ignore[arg-type]
        return _back(request, household, f"{student} is written down.")
    return _form(request, {"form": form, "household": household, "title": "Add a student", "button": "Add the student"})


@requires("households.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def change_student(request: HttpRequest, student_id: int) -> HttpResponseBase:
    """Change a student's name, school year or programme."""
    student = get_object_or_404(Student.objects.select_related("household"), pk=student_id)
    shown = {field: getattr(student, field) for field in operations.STUDENT_FIELDS}
    form = forms.StudentForm(request.POST or None, initial={**shown, "version": student.household.version})
    page = {"form": form, "household": student.household, "title": f"Change {student}", "button": "Save the changes"}
    if request.method == "POST" and form.is_valid():
        try:
            operations.change_student(
                student_id=student_id,
                version=form.cleaned_data["version"],
                changes=form.student(),
                acting_user=request.user,  # type: ignore[arg-type]
            )
        except operations.HouseholdChangedError as error:
            return _changed_meanwhile(request, page, error)
        return _back(request, student.household, "The changes are saved.")
    return _form(request, page)


@requires("households.edit")
@require_POST
def withdraw_consent(request: HttpRequest, consent_id: int) -> HttpResponseBase:
    """Take a guardian's consent back; what was signed under it stays signed."""
    consent = get_object_or_404(Consent.objects.select_related("guardian"), pk=consent_id)
    try:
        operations.withdraw_consent(consent_id=consent_id, acting_user=request.user, now=clock.now())  # type: ignore[arg-type]
    except operations.ConsentNotInForceError:
        messages.info(request, "This consent was already taken back.")
    else:
        messages.success(request, "The consent is taken back. What was signed under it stays signed.")
    return redirect("guardian_change", consent.guardian_id)


def _form(request: HttpRequest, page: dict[str, Any]) -> HttpResponse:
    return render(request, "families/form.html", page, status=422 if page["form"].is_bound else 200)


def _back(request: HttpRequest, household: Household, said: str) -> HttpResponse:
    messages.success(request, said)
    return redirect("household", household.pk)


def _changed_meanwhile(request: HttpRequest, page: dict[str, Any], error: operations.HouseholdChangedError) -> HttpResponse:
    """Show what somebody else changed, keep what was typed, and let the person decide: saving again saves over it."""
    form: OfficeForm = page["form"]
    changes = queries.list_changes_since(error.household, form.cleaned_data["version"])
    form.data = {**form.data.dict(), "version": str(error.household.version)}  # type: ignore[attr-defined]
    return render(request, "families/form.html", {**page, "changed": True, "changes": changes}, status=409)


def _likely(form: forms.AddHouseholdForm) -> list[queries.LikelyDuplicate]:
    return queries.list_likely_duplicates(
        **form.guardian(), street=form.cleaned_data["street"], postal_code=form.cleaned_data["postal_code"]
    )
