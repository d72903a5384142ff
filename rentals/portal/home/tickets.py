"""How a browser proves that a form is its own: a signed ticket in a cookie of the door, and in every page it sends.

The cookie has nothing to do with signing in and outlives the browser's window; the copy in the page helps where it was lost.
"""

import datetime
import uuid

from django.core.signing import BadSignature, Signer
from django.http import HttpRequest, HttpResponseBase

from rentals.portal.models import NightDoor

COOKIE = "home"
FIELD = "ticket"
KEPT = datetime.timedelta(days=120)


def make(browser: uuid.UUID, door: NightDoor) -> str:
    """Sign a browser's number for one door."""
    return _signer(door).sign(browser.hex)


def read(ticket: str, door: NightDoor) -> uuid.UUID | None:
    """Return the browser's number; None for a ticket that we did not sign for this door."""
    try:
        return uuid.UUID(_signer(door).unsign(ticket))
    except (BadSignature, ValueError):
        return None


def find(request: HttpRequest, door: NightDoor) -> uuid.UUID | None:
    """Return whose form this browser may see: by the ticket the page carries, else by the cookie."""
    for ticket in (request.POST.get(FIELD, ""), request.COOKIES.get(COOKIE, "")):
        browser = read(ticket, door) if ticket else None
        if browser:
            return browser
    return None


def keep(response: HttpResponseBase, request: HttpRequest, browser: uuid.UUID, door: NightDoor) -> None:
    """Leave the ticket in the browser, for this door's addresses only."""
    response.set_cookie(
        COOKIE,
        make(browser, door),
        max_age=KEPT,
        path=f"/start/{door.code}/",
        httponly=True,
        secure=request.is_secure(),
        samesite="Lax",
    )


def _signer(door: NightDoor) -> Signer:
    return Signer(salt=f"form from home {door.code}")
