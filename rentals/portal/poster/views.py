"""The office's side of a night's form: open and close it, poster and cards, and who has filled it in."""

from collections.abc import Callable

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from rentals.documents.pdf import CannotMakePdfError
from rentals.documents.sheets import pdf_answer
from rentals.portal import operations, queries
from rentals.portal.models import NightDoor
from rentals.portal.poster import printing
from rentals.portal.poster.reach import address_of, reach_of
from rentals.runtime import clock
from rentals.runtime.templatetags.office import phone
from rentals.staff.limits import EXPORTS, limited
from rentals.staff.models import Office
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires
from schools.models import Night


def _page_of(night_id: int) -> str:
    return reverse("night_door", args=[night_id])


@requires("nights.plan")
@require_safe
def night_door(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Show the form of a night: open or not, its address, poster and cards, and the families that sent one."""
    night = get_object_or_404(Night.objects.select_related("school"), pk=night_id)
    door = NightDoor.objects.filter(night=night).select_related("night").first()
    address = address_of(request, door) if door else ""
    context = {
        "night": night,
        "door": door,
        "is_open": door is not None and queries.is_open(door, today=clock.today()),
        "may_open": not night.is_over and night.on >= clock.today(),
        "address": address,
        "reach": reach_of(address),
        "forms": list(queries.list_waiting(night)),
        "unfinished": queries.count_unfinished(night),
    }
    return render(request, "portal/poster/door.html", context)


@requires("nights.plan")
@require_POST
@stands_on(_page_of)
def night_door_open(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Open the form of a night."""
    night = get_object_or_404(Night, pk=night_id)
    try:
        operations.open_door(night=night, acting_user=acting_user(request), today=clock.today())
    except operations.NightOverError as error:
        messages.error(request, str(error))
    else:
        messages.success(request, "The form is open. Print the poster, or send the address to the families.")
    return redirect("night_door", night_id)


@requires("nights.plan")
@require_POST
@stands_on(_page_of)
def night_door_close(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Close the form of a night."""
    door = get_object_or_404(NightDoor.objects.select_related("night"), night=night_id)
    operations.close_door(night=door.night, acting_user=acting_user(request), now=clock.now())
    messages.success(request, "The form is closed. What families sent stays; opened again, the address is the same.")
    return redirect("night_door", night_id)


@requires("nights.plan")
@limited("export", per_minute=EXPORTS)
@require_safe
def night_poster(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Give the poster to print."""
    return _sheet(request, night_id, printing.print_poster, "poster")


@requires("nights.plan")
@limited("export", per_minute=EXPORTS)
@require_safe
def night_cards(request: HttpRequest, night_id: int) -> HttpResponseBase:
    """Give the cards to hand out."""
    return _sheet(request, night_id, printing.print_cards, "cards")


def _sheet(request: HttpRequest, night_id: int, make: Callable[[printing.Invitation], bytes], name: str) -> HttpResponseBase:
    night = get_object_or_404(Night.objects.select_related("school"), pk=night_id)
    door = NightDoor.objects.filter(night=night, closed_at=None).first()
    if door is None:
        messages.info(request, "Open the form first: the poster carries its address.")
        return redirect("night_door", night_id)
    office = Office.objects.first()
    invitation = printing.Invitation(
        office=office.name if office else "",
        phone=phone(office.phone) if office else "",
        night=night,
        address=address_of(request, door),
    )
    try:
        made = make(invitation)
    except CannotMakePdfError as error:
        messages.error(request, str(error))
        return redirect("night_door", night_id)
    return pdf_answer(made, f"{name}-{night.on}.pdf")
