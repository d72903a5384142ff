"""What stands between every request and its view: how long a session lasts, the second factor, and what browsers may keep."""

from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import logout
from django.http import HttpRequest, HttpResponseBase, HttpResponseRedirect
from django.urls import reverse
from django_htmx.http import HttpResponseClientRedirect

from rentals.runtime import clock
from rentals.staff.models import User
from rentals.staff.parking import remember_who_left
from rentals.staff.passwords import has_second_factor
from rentals.staff.policy import SECOND_FACTOR_ROLES, acting_user

GetResponse = Callable[[HttpRequest], HttpResponseBase]

SEEN_EVERY_SECONDS = 60
"""How exactly a session remembers when it was last used: not every request writes."""

BEFORE_SECOND_FACTOR = {
    "mfa_activate_totp",
    "mfa_view_recovery_codes",
    "account_reauthenticate",
    "account_logout",
    "account_login",
    "choose_theme",
    "health",
}
"""What somebody may open who still has to set up a second factor."""


class NoStoreMiddleware:
    """Tells browsers and proxies to keep nothing of what a view answers. Static files never come this far."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.get_response(request)
        response["Cache-Control"] = "no-store, private"
        return response


class WithoutNulMiddleware:
    """Takes NUL characters out of what an address asks for: nobody types them, and the database refuses text that has one."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        asked = request.META.get("QUERY_STRING", "")
        if "%00" in asked or "\0" in asked:
            request.META["QUERY_STRING"] = asked.replace("%00", "").replace("\0", "")
        return self.get_response(request)


class SessionLimitsMiddleware:
    """Ends a session that was not used for a while, and one that is too old, however busy."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if request.user.is_authenticated:
            self._measure(request, int(clock.now().timestamp()))
        return self.get_response(request)

    def _measure(self, request: HttpRequest, now: int) -> None:
        began, seen = request.session.get("began"), request.session.get("seen")
        if began is None or seen is None:
            request.session.update({"began": now, "seen": now})
        elif now - began >= settings.SESSION_COOKIE_AGE or now - seen >= settings.SESSION_IDLE_SECONDS:
            user = acting_user(request)
            request.META["OFFICE_WAS_SIGNED_IN"] = str(user.pk)
            logout(request)
            remember_who_left(request, user)
            messages.info(request, "You were signed out because nothing was done for a while. Nothing that was saved is lost.")
        elif now - seen >= SEEN_EVERY_SECONDS:
            request.session["seen"] = now


class SecondFactorMiddleware:
    """Sends those whose role needs a second factor to set one up, before anything else. The demo's people go without."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: Any) -> HttpResponseBase | None:
        """Look before the view runs."""
        user = request.user
        if settings.DEMO or not isinstance(user, User) or user.role not in SECOND_FACTOR_ROLES:
            return None
        if request.session.get("second_factor"):
            return None
        if has_second_factor(user):
            request.session["second_factor"] = True
            return None
        if request.resolver_match and request.resolver_match.url_name in BEFORE_SECOND_FACTOR:
            return None
        url = reverse("mfa_activate_totp")
        return HttpResponseClientRedirect(url) if getattr(request, "htmx", False) else HttpResponseRedirect(url)
