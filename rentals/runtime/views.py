"""The one page of this room: whether the office is well, for whoever watches over it."""

from django.core.cache import cache
from django.db import connection
from django.http import HttpRequest, HttpResponse, HttpResponseBase


def health(request: HttpRequest) -> HttpResponseBase:
    """Answer "ok" when database and cache answer; the failure itself (a 500) otherwise. Says nothing about anybody."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    cache.get("health")
    return HttpResponse("ok", content_type="text/plain")


# Rooms above declare what a view requires with a decorator of theirs; this room may not import it, so it says it itself.
health.capability = None  # type: ignore[attr-defined]
