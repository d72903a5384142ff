"""The administrator's list of the people who work here."""

from allauth.mfa.models import Authenticator
from django.contrib import messages
from django.db.models import Exists, OuterRef, QuerySet
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from rentals.runtime import clock
from rentals.staff import people
from rentals.staff.forms import ChangePersonForm, ChoosePasswordForm, PersonForm, ReasonForm
from rentals.staff.limits import limited
from rentals.staff.models import Role, User
from rentals.staff.operations import SYSTEM_EMAIL
from rentals.staff.policy import acting_user, open_to_all, requires

LAST = "This is the last administrator: make somebody else an administrator first."
OWN = "This takes a second person: ask another administrator."


def _people() -> QuerySet[User]:
    """Everybody who works or worked here, without the name that jobs act under and without the schools' directors."""
    factor = Authenticator.objects.filter(user=OuterRef("pk"), type=Authenticator.Type.TOTP)
    return User.objects.exclude(email=SYSTEM_EMAIL).exclude(role=Role.DIRECTOR).annotate(has_factor=Exists(factor))


@requires("staff.manage")
@require_GET
def list_people(request: HttpRequest) -> HttpResponseBase:
    """List who works here; those who left last."""
    return render(request, "staff/people.html", {"people": _people().order_by("-is_active", "name", "pk")})


@requires("staff.manage")
@require_http_methods(["GET", "POST"])
def add_person(request: HttpRequest) -> HttpResponseBase:
    """Add somebody, and show the link with which they choose their password."""
    form = PersonForm(request.POST or None)
    if form.is_valid():
        try:
            person = people.add_person(**form.cleaned_data, acting_user=acting_user(request))
        except people.PersonExistsError:
            form.add_error("email", "Somebody with this address is in the list already.")
        else:
            return _show_link(request, person)
    return render(request, "staff/add_person.html", {"form": form}, status=422 if form.errors else 200)


@requires("staff.manage")
@require_http_methods(["GET", "POST"])
def change_person(request: HttpRequest, person_id: int) -> HttpResponseBase:
    """Change name or role; from here also what else can be done for a person."""
    person = get_object_or_404(_people(), pk=person_id)
    form = ChangePersonForm(request.POST or None, initial={"name": person.name, "role": person.role})
    if form.is_valid():
        try:
            people.change_person(person_id=person.pk, **form.cleaned_data, acting_user=acting_user(request))
        except people.LastAdministratorError:
            form.add_error("role", LAST)
        else:
            messages.success(request, "Changed.")
            return redirect("people")
    return render(request, "staff/person.html", {"form": form, "person": person}, status=422 if form.errors else 200)


@requires("staff.manage")
@require_http_methods(["GET", "POST"])
def deactivate_person(request: HttpRequest, person_id: int) -> HttpResponseBase:
    """Ask why, and let somebody leave."""
    person = get_object_or_404(_people(), pk=person_id)
    form = ReasonForm(request.POST or None)
    if form.is_valid():
        try:
            people.deactivate_person(person_id=person.pk, **form.cleaned_data, acting_user=acting_user(request))
        except people.LastAdministratorError:
            form.add_error(None, LAST)
        except people.OwnAccountError:
            form.add_error(None, OWN)
        else:
            messages.success(request, f"{person.name} can no longer sign in.")
            return redirect("people")
    context = {
        "form": form,
        "person": person,
        "title": f"Does {person.name} leave?",
        "effect": "They are signed out at once and cannot sign in. What they did stays under their name; they may come back.",
        "button": "Let them leave",
    }
    return render(request, "staff/person_reason.html", context, status=422 if form.errors else 200)


@requires("staff.manage")
@require_POST
def reactivate_person(request: HttpRequest, person_id: int) -> HttpResponseBase:
    """Let somebody come back."""
    person = get_object_or_404(_people(), pk=person_id)
    people.reactivate_person(person_id=person.pk, acting_user=acting_user(request))
    messages.success(request, f"{person.name} can sign in again.")
    return redirect("people")


@requires("staff.manage")
@require_POST
def make_password_link(request: HttpRequest, person_id: int) -> HttpResponseBase:
    """Take the password away and show a link to choose a new one."""
    person = get_object_or_404(_people(), pk=person_id, is_active=True)
    return _show_link(request, person)


@requires("staff.manage")
@require_http_methods(["GET", "POST"])
def reset_second_factor(request: HttpRequest, person_id: int) -> HttpResponseBase:
    """Ask why, take second factor and password away, and show the link."""
    person = get_object_or_404(_people(), pk=person_id, is_active=True)
    form = ReasonForm(request.POST or None)
    if form.is_valid():
        user, now = acting_user(request), clock.now()
        try:
            token = people.reset_second_factor(person_id=person.pk, **form.cleaned_data, acting_user=user, now=now)
        except people.OwnAccountError:
            form.add_error(None, OWN)
        else:
            return link_page(request, person, token)
    context = {
        "form": form,
        "person": person,
        "title": f"Reset the second factor of {person.name}?",
        "effect": "Make sure that it is really them who asks. Their password goes too; you get a link with which they choose "
        "a new one, and they set up the second factor again when they sign in.",
        "button": "Reset the second factor",
    }
    return render(request, "staff/person_reason.html", context, status=422 if form.errors else 200)


@open_to_all
@sensitive_post_parameters("password1", "password2")
@limited("choose password", per_minute=20)
@require_http_methods(["GET", "POST"])
def choose_password(request: HttpRequest) -> HttpResponseBase:
    """Choose a password behind a one-time link. Opening it does not use it up: mail scanners and previews open links too."""
    number, token = request.GET.get("for", ""), request.GET.get("token", "")
    person = User.objects.filter(pk=int(number)).first() if number.isdecimal() and len(number) < 19 else None
    if person is None or not people.is_open(person, token):
        return render(request, "staff/link_spent.html", status=410)
    form = ChoosePasswordForm(request.POST or None, user=person)
    if form.is_valid():
        try:
            people.choose_password(person_id=person.pk, token=token, password=form.cleaned_data["password1"])
        except people.LinkSpentError:
            return render(request, "staff/link_spent.html", status=410)
        messages.success(request, "Your password is set. Sign in with it.")
        return redirect("account_login")
    return render(request, "staff/choose_password.html", {"form": form, "person": person}, status=422 if form.errors else 200)


def _show_link(request: HttpRequest, person: User) -> HttpResponse:
    try:
        token = people.make_password_link(person_id=person.pk, acting_user=acting_user(request), now=clock.now())
    except people.OwnAccountError:
        messages.error(request, "Your own password you change in your account.")
        return redirect("change_person", person_id=person.pk)
    return link_page(request, person, token)


def link_page(request: HttpRequest, person: User, token: str, back: str = "") -> HttpResponse:
    """Show the link, and the way `back` (to the list of people where none is given).

    The token stands in the query, which no log line carries, never in the path.
    """
    query = urlencode({"for": str(person.pk), "token": token})
    link = request.build_absolute_uri(f"{reverse('choose_password')}?{query}")
    return render(request, "staff/password_link.html", {"person": person, "link": link, "back": back})
