"""Screens of the talks with schools, and of what is to be done next."""

from uuid import uuid4

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from rentals.runtime import clock
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.policy import acting_user, requires
from schools import contacts
from schools.contact_forms import ContactForm
from schools.models import Contact, School

PAGE = 25


@requires("schools.view")
@require_safe
def school_contacts(request: HttpRequest, school_id: int) -> HttpResponseBase:
    """List all talks with a school."""
    school = get_object_or_404(School, pk=school_id)
    page = Paginator(contacts.list_contacts(school_id), PAGE).get_page(request.GET.get("page"))
    return render(request, "schools/contacts.html", {"school": school, "page": page, "today": clock.today()})


@requires("schools.view")
@require_safe
def next_steps(request: HttpRequest) -> HttpResponseBase:
    """List what is to be done for schools, the most urgent first."""
    page = Paginator(contacts.list_next_steps(), PAGE).get_page(request.GET.get("page"))
    return render(request, "schools/next_steps.html", {"page": page, "today": clock.today()})


@requires("schools.edit")
@require_http_methods(["GET", "HEAD", "POST"])
def contact_add(request: HttpRequest, school_id: int) -> HttpResponseBase:
    """Write a talk with a school down."""
    school = get_object_or_404(School, pk=school_id)
    form = ContactForm(request.POST or None, initial={"on": clock.today()}, today=clock.today())
    if request.method == "POST" and form.is_valid():
        try:
            made = contacts.write_contact_down(
                school=school,
                facts=form.facts(),
                request_key=form.cleaned_data["request_key"] or uuid4(),
                acting_user=acting_user(request),
                now=clock.now(),
            )
        except RequestKeyReusedError as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, f"The talk with {made.with_whom} is written down.")
            return redirect("school", school_id)
    back = reverse("school", args=[school_id])
    page = {"form": form, "title": f"A talk with {school.name}", "back": back, "back_label": school.name}
    return render(request, "schools/form.html", page, status=422 if form.is_bound else 200)


@requires("schools.edit")
@require_POST
def contact_done(request: HttpRequest, contact_id: int) -> HttpResponse:
    """Tick a next step off."""
    contact = get_object_or_404(Contact, pk=contact_id)
    try:
        contacts.tick_off(contact_id=contact_id, acting_user=acting_user(request), now=clock.now())
    except contacts.NoNextStepError as error:
        messages.error(request, str(error))
    else:
        messages.success(request, f"Done: {contact.next_step}.")
    return redirect("next_steps") if request.POST.get("from") == "next_steps" else redirect("school", contact.school_id)
