"""Parked forms: what was sent after the session had ended waits, sealed and for an hour at most, until the person is back.

It is never sent on by itself. The page it stood on is shown once more with everything filled in, once, in the same browser,
to the person whose session it was. Where that is no longer known, whoever signs in there and may open the page sees it.
"""

import json
import uuid
from collections.abc import Callable
from typing import Any
from urllib.parse import parse_qsl, unquote, urlsplit

from cryptography.fernet import InvalidToken
from django.contrib import messages
from django.core.cache import cache
from django.http import HttpRequest, HttpResponseBase, QueryDict

from rentals.runtime import refill
from rentals.staff.limits import is_over
from rentals.staff.models import User
from rentals.staff.policy import STOOD_ON
from rentals.staff.sign_in import seal

KEPT_SECONDS = 3600
MOST_FORMS = 5
"""So many parked forms a browser; the oldest gives way."""
LONGEST = 200_000
"""Characters of one form; a drawn signature has its place in it."""
PER_MINUTE = 20
FORM = "application/x-www-form-urlencoded"

WAS = "was_signed_in"
"""Key of the session: whose session ended here last."""
PARKED = "parked"
"""Key of the session: the parked forms' ids by the page they stood on."""

View = Callable[..., HttpResponseBase]
GetResponse = Callable[[HttpRequest], HttpResponseBase]


def stands_on(page: Callable[..., str]) -> Callable[[View], View]:
    """Declare the page whose form a view answers, where the view has no page of its own: `page(**kwargs)` is its address."""

    def decorate(view: View) -> View:
        view.stands_on = page  # type: ignore[attr-defined]
        return view

    return decorate


class ParkingMiddleware:
    """Parks what a stranger sent from a page of ours, and gives it back to the page once somebody has signed in."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if not request.user.is_authenticated:
            response = self.get_response(request)
            if STOOD_ON in request.META and is_worth_parking(request):
                park(request, request.META[STOOD_ON])
            return response
        typed = look_up(request) if request.method == "GET" and not getattr(request, "htmx", False) else None
        request.parked = typed is not None  # type: ignore[attr-defined]
        with refill.refilled(typed):
            response = self.get_response(request)
        if typed is not None and not 300 <= response.status_code < 400:
            forget(request)
        return response


def is_worth_parking(request: HttpRequest) -> bool:
    """Tell whether this is a form that somebody filled in: not a part of a page, not a file, nothing secret."""
    if request.method != "POST" or request.content_type != FORM or getattr(request, "htmx", False):
        return False
    names = {name for name in request.POST if name != "csrfmiddlewaretoken"}
    if not names or any("password" in name or "account_number" in name for name in names):
        return False
    capability = getattr(request.resolver_match and request.resolver_match.func, "capability", None)
    return capability not in {None, "own_account.use"}


def park(request: HttpRequest, page: str) -> None:
    """Seal what was sent and keep it for the page's next showing; bound to this browser by its session."""
    typed = request.POST.copy()
    typed.pop("csrfmiddlewaretoken", None)
    body = typed.urlencode()
    if len(body) > LONGEST or is_over("park", request, PER_MINUTE):
        return
    whose = request.META.get("OFFICE_WAS_SIGNED_IN") or request.session.get(WAS)
    key = uuid.uuid4().hex
    sealed = seal().encrypt(json.dumps({"whose": str(whose) if whose else None, "body": body}).encode())
    cache.set(_place(key), sealed, KEPT_SECONDS)
    parked = {**request.session.get(PARKED, {})}
    replaced = parked.pop(_page(page), None)
    parked[_page(page)] = key
    too_many = list(parked)[:-MOST_FORMS]
    cache.delete_many([_place(old) for old in [replaced, *(parked.pop(name) for name in too_many)] if old])
    request.session[PARKED] = parked
    messages.info(request, "What you typed is kept for an hour: sign in, and it stands in the form again.")


def look_up(request: HttpRequest) -> QueryDict | None:
    """Return what waits for this page, if it is this person's. What belongs to somebody else is thrown away."""
    key = request.session.get(PARKED, {}).get(_page(request.get_full_path()))
    if not key:
        return None
    try:
        found: dict[str, Any] = json.loads(seal().decrypt(cache.get(_place(key), b""), ttl=KEPT_SECONDS))
    except InvalidToken:
        found = {}
    if not found or found["whose"] not in {None, str(request.user.pk)}:
        forget(request)
        return None
    return QueryDict(found["body"])


def forget(request: HttpRequest) -> None:
    """Throw away what was parked for this page."""
    parked = {**request.session.get(PARKED, {})}
    cache.delete(_place(parked.pop(_page(request.get_full_path()), "")))
    request.session[PARKED] = parked


def remember_who_left(request: HttpRequest, user: User) -> None:
    """Note in the new, empty session whose session ended in this browser; call it after signing out."""
    request.session[WAS] = str(user.pk)


def _place(key: str) -> str:
    return f"parked:{key}"


def _page(address: str) -> str:
    """Write an address in one way, however a browser spelled it."""
    parts = urlsplit(address)
    return json.dumps([unquote(parts.path), parse_qsl(parts.query, keep_blank_values=True)])
