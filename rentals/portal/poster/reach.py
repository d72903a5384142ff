"""Which address the poster carries, and whether a family's telephone can reach it. Reads no database."""

import ipaddress
from urllib.parse import urlsplit

from django.conf import settings
from django.http import HttpRequest
from django.urls import reverse

from rentals.portal.models import NightDoor

HERE, INSIDE, OUTSIDE = "here", "inside", "outside"


def address_of(request: HttpRequest, door: NightDoor) -> str:
    """Return the full address of a night's form: under the office's public address where one is set, else as this page came."""
    path = reverse("home_form", args=[door.code])
    return f"{settings.PUBLIC_URL}{path}" if settings.PUBLIC_URL else request.build_absolute_uri(path)


def reach_of(address: str) -> str:
    """Tell from where an address can be opened: "here" this machine alone, "inside" the office's network, "outside" anywhere.

    A name with a dot is believed: whether it is known outside only a look from outside can tell. Names that never lead anywhere
    are those of RFC 2606 and RFC 6761.

    >>> reach_of("http://127.0.0.1:8000/start/x/"), reach_of("http://192.168.1.5/"), reach_of("https://forms.example.com/")
    ('here', 'inside', 'outside')
    """
    host = (urlsplit(address).hostname or "").casefold()
    if host == "localhost" or host.endswith((".localhost", ".invalid", ".test")):
        return HERE
    try:
        number = ipaddress.ip_address(host)
    except ValueError:
        return OUTSIDE if "." in host and not host.endswith((".local", ".lan", ".internal")) else INSIDE
    if number.is_loopback or number.is_unspecified:
        return HERE
    return OUTSIDE if number.is_global else INSIDE
