"""How often somebody may ask for what is costly, or worth taking in bulk: searches and exports. Counted in Redis, per person.

The sign-in package counts failed sign-ins and codes by itself; this is for everything else.
"""

from collections.abc import Callable
from functools import wraps
from typing import Any

from allauth.account.adapter import get_adapter
from django.core.cache import cache
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render

View = Callable[..., HttpResponseBase]
WINDOW_SECONDS = 60
SEARCHES = 120
"""A minute, of whatever kind: more than anybody types, hits while typing included."""
EXPORTS = 10
"""A minute, of whatever list."""


def is_over(action: str, request: HttpRequest, per_minute: int) -> bool:
    """Count this request, and tell whether it is one too many. Strangers are counted by address."""
    who = f"user {request.user.pk}" if request.user.is_authenticated else f"ip {get_adapter().get_client_ip(request)}"
    key = f"limit:{action}:{who}".replace(" ", ":")
    cache.add(key, 0, WINDOW_SECONDS)
    try:
        return int(cache.incr(key)) > per_minute
    except ValueError:
        # The minute ended between the two commands: this request is the first of the next one.
        cache.add(key, 1, WINDOW_SECONDS)
        return False


def limited(action: str, *, per_minute: int) -> Callable[[View], View]:
    """Let a person do this so often a minute; then answer 429 with a page that says to wait."""

    def decorate(view: View) -> View:
        @wraps(view)
        def counted(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if is_over(action, request, per_minute):
                response = render(request, "429.html", status=429)
                response["Retry-After"] = str(WINDOW_SECONDS)
                return response
            return view(request, *args, **kwargs)

        return counted

    return decorate
