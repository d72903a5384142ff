"""What every page knows: the office's name, where one may go, and what one may do."""

from collections.abc import Iterator
from typing import Any

from django.conf import settings
from django.contrib.auth.models import AnonymousUser
from django.http import HttpRequest
from django.urls import reverse
from django.utils.functional import SimpleLazyObject

from rentals.staff.models import Office, User
from rentals.staff.policy import CAPABILITIES, may

# label, url name, capability; in the order of a day's work: the counter, the money, the workshop, what is set up once.
NAVIGATION: list[tuple[str, str, str]] = [
    ("Sign up", "signup", "agreements.sign"),
    ("Nights", "nights", "nights.view"),
    ("Households", "households", "households.view"),
    ("Agreements", "agreements", "agreements.view"),
    ("Books", "books", "books.view"),
    ("Bank", "bank", "bank.match"),
    ("Outbox", "outbox", "outbox.view"),
    ("Bench", "bench", "instruments.move"),
    ("Runs", "runs", "runs.drive"),
    ("Instruments", "instruments", "instruments.view"),
    ("Schools", "schools", "schools.view"),
    ("Terms", "terms", "terms.manage"),
    ("Jobs", "jobs", "jobs.view"),
    ("Backups", "backups", "backups.view"),
    ("People", "people", "staff.manage"),
    ("History", "history", "audit.view"),
]


class Permitted:
    """`can.payments_take` in a template: may the signed-in person do this?"""

    def __init__(self, request: HttpRequest) -> None:
        self.request = request

    def __getitem__(self, name: str) -> bool:
        capability = name.replace("__", ".") if "__" in name else name.replace("_", ".", 1)
        matches = [c for c in CAPABILITIES if c in {capability, name} or c.replace(".", "_") == name]
        if not matches:
            raise KeyError(name)
        return may(_person(self.request), matches[0])


def _person(request: HttpRequest) -> User | AnonymousUser:
    """Return who asks; nobody, when the request was refused before that was known (an unknown host name)."""
    return getattr(request, "user", AnonymousUser())


def _navigation(request: HttpRequest) -> Iterator[dict[str, Any]]:
    for label, url_name, capability in NAVIGATION:
        if may(_person(request), capability):
            url = reverse(url_name)
            yield {"label": label, "url": url, "current": request.path.startswith(url), "key": url_name}


# Pages of these rooms read a scanner wherever the focus is.
SCANNED_IN = (
    "rentals.inventory.",
    "rentals.counter.bench.",
    "rentals.counter.cleaning_days.",
    "rentals.counter.van.",
    "rentals.counter.nights.packing.",
    "rentals.counter.runs.",
)


def _scan_door(request: HttpRequest) -> str:
    """Return where a scan on this page leads, "" where it means nothing: in other rooms, and to who sees no instruments."""
    match = getattr(request, "resolver_match", None)
    in_room = match is not None and match.func.__module__.startswith(SCANNED_IN)
    return reverse("scan") if in_room and may(_person(request), "instruments.view") else ""


def office(request: HttpRequest) -> dict[str, Any]:
    """Add `office_name`, `navigation`, `can`, `scan_door` and `is_demo` to every page."""
    return {
        "office_name": SimpleLazyObject(lambda: Office.objects.values_list("name", flat=True).first() or "Rental office"),
        "navigation": SimpleLazyObject(lambda: list(_navigation(request))),
        "can": Permitted(request),
        "scan_door": SimpleLazyObject(lambda: _scan_door(request)),
        "is_demo": settings.DEMO,
    }
