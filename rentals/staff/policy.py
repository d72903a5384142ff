"""What a role may do: one table, asked by views, templates and jobs alike.

A view says which capability it needs with `@requires("…")`; one that anybody may open says `@open_to_all`. The middleware
refuses to serve a view that says neither, so nothing is ever open by forgetting.
"""

from collections.abc import Callable
from functools import wraps
from typing import Any
from urllib.parse import urlsplit

from django.contrib.auth.models import AnonymousUser
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponseBase, HttpResponseRedirect
from django_htmx.http import HttpResponseClientRedirect

from rentals.staff.models import Role, User

SPECIALIST, BOOKKEEPER, TECHNICIAN = Role.SPECIALIST, Role.BOOKKEEPER, Role.TECHNICIAN
MANAGER, ADMINISTRATOR, DIRECTOR = Role.MANAGER, Role.ADMINISTRATOR, Role.DIRECTOR
EVERYONE = frozenset(Role) - {DIRECTOR}
"""Who works here."""
SECOND_FACTOR_ROLES = frozenset({BOOKKEEPER, MANAGER, ADMINISTRATOR})
"""Who may do nothing at all before a second factor is set up (the demo's people excepted)."""

CAPABILITIES: dict[str, frozenset[Role]] = {
    "home.view": EVERYONE | {DIRECTOR},
    "own_account.use": EVERYONE | {DIRECTOR},
    "roster.view_own": frozenset({DIRECTOR}),
    "households.view": frozenset({SPECIALIST, BOOKKEEPER, MANAGER}),
    "households.edit": frozenset({SPECIALIST, MANAGER}),
    "schools.view": frozenset({SPECIALIST, BOOKKEEPER, MANAGER}),
    "schools.edit": frozenset({SPECIALIST, MANAGER}),
    "search.use": frozenset({SPECIALIST, BOOKKEEPER, TECHNICIAN, MANAGER}),
    "agreements.view": frozenset({SPECIALIST, BOOKKEEPER, MANAGER}),
    "agreements.sign": frozenset({SPECIALIST, MANAGER}),
    "agreements.defer_payment": frozenset({MANAGER}),
    "agreements.change": frozenset({SPECIALIST, MANAGER}),
    "agreements.buy": frozenset({SPECIALIST, MANAGER}),
    "agreements.return": frozenset({SPECIALIST, MANAGER}),
    "agreements.report_loss": frozenset({SPECIALIST, MANAGER}),
    "agreements.hold": frozenset({MANAGER}),
    "agreements.recall": frozenset({MANAGER}),
    "agreements.void": frozenset({SPECIALIST, MANAGER}),
    "terms.manage": frozenset({MANAGER}),
    "payments.take": frozenset({SPECIALIST, BOOKKEEPER, MANAGER}),
    "takings.count": frozenset({SPECIALIST, BOOKKEEPER, MANAGER}),
    "takings.view_all": frozenset({BOOKKEEPER, MANAGER}),
    "takings.confirm": frozenset({MANAGER}),
    "payments.return": frozenset({BOOKKEEPER, MANAGER}),
    "books.view": frozenset({BOOKKEEPER, MANAGER}),
    "billing.run": frozenset({BOOKKEEPER, MANAGER}),
    "deposits.make": frozenset({BOOKKEEPER, MANAGER}),
    "charges.void": frozenset({BOOKKEEPER, MANAGER}),
    "adjustments.ask": frozenset({SPECIALIST, BOOKKEEPER, MANAGER}),
    "adjustments.approve": frozenset({MANAGER}),
    "refunds.make": frozenset({BOOKKEEPER, MANAGER}),
    "debts.write_off": frozenset({MANAGER}),
    "exemptions.manage": frozenset({BOOKKEEPER, MANAGER}),
    "late_fees.charge": frozenset({BOOKKEEPER, MANAGER}),
    "bank.import": frozenset({BOOKKEEPER, MANAGER}),
    "bank.match": frozenset({BOOKKEEPER, MANAGER}),
    "bank.deposits_go_to": frozenset({MANAGER}),
    "autopay.authorise": frozenset({SPECIALIST, BOOKKEEPER, MANAGER}),
    "autopay.run": frozenset({BOOKKEEPER, MANAGER}),
    "autopay.approve": frozenset({BOOKKEEPER, MANAGER}),
    "autopay.set_up": frozenset({MANAGER}),
    "fleet.book": frozenset({BOOKKEEPER, MANAGER}),
    "collecting.work": frozenset({SPECIALIST, BOOKKEEPER, MANAGER}),
    "collecting.set": frozenset({MANAGER}),
    "months.close": frozenset({BOOKKEEPER, MANAGER}),
    "months.reopen": frozenset({MANAGER}),
    "documents.view": frozenset({SPECIALIST, BOOKKEEPER, MANAGER}),
    "documents.make_again": frozenset({SPECIALIST, BOOKKEEPER, MANAGER}),
    "outbox.view": frozenset({SPECIALIST, BOOKKEEPER, MANAGER}),
    "wording.edit": frozenset({MANAGER}),
    "outbox.send": frozenset({BOOKKEEPER, MANAGER}),
    "instruments.view": frozenset({SPECIALIST, TECHNICIAN, MANAGER}),
    "instruments.edit": frozenset({TECHNICIAN, MANAGER}),
    "instruments.move": frozenset({TECHNICIAN, MANAGER}),
    "instruments.hold": frozenset({SPECIALIST, TECHNICIAN, MANAGER}),
    "instruments.dispose": frozenset({MANAGER}),
    "instruments.label": frozenset({SPECIALIST, TECHNICIAN, MANAGER}),
    "instruments.photograph": frozenset({SPECIALIST, TECHNICIAN, MANAGER}),
    "labels.set_up": frozenset({TECHNICIAN, MANAGER}),
    "stock.count": frozenset({SPECIALIST, TECHNICIAN, MANAGER}),
    "stock.settle": frozenset({TECHNICIAN, MANAGER}),
    "bench.work": frozenset({TECHNICIAN, MANAGER}),
    "bench.record_approval": frozenset({SPECIALIST, TECHNICIAN, MANAGER}),
    "bench.set_up": frozenset({MANAGER}),
    "errands.work": frozenset({SPECIALIST, TECHNICIAN, MANAGER}),
    "nights.view": frozenset({SPECIALIST, BOOKKEEPER, TECHNICIAN, MANAGER}),
    "nights.plan": frozenset({SPECIALIST, MANAGER}),
    "nights.load": frozenset({SPECIALIST, TECHNICIAN, MANAGER}),
    "nights.sign_up": frozenset({SPECIALIST, MANAGER}),
    "nights.lead": frozenset({SPECIALIST, MANAGER}),
    "runs.plan": frozenset({SPECIALIST, MANAGER}),
    "runs.drive": frozenset({SPECIALIST, TECHNICIAN, MANAGER}),
    "fleet.figures": frozenset({BOOKKEEPER, MANAGER}),
    "catalogue.edit": frozenset({MANAGER}),
    "fleet.import": frozenset({TECHNICIAN, MANAGER}),
    "jobs.view": frozenset({BOOKKEEPER, MANAGER, ADMINISTRATOR}),
    "jobs.run": frozenset({MANAGER, ADMINISTRATOR}),
    "backups.view": frozenset({ADMINISTRATOR}),
    "staff.manage": frozenset({ADMINISTRATOR}),
    "audit.view": frozenset({ADMINISTRATOR, MANAGER}),
}


STOOD_ON = "OFFICE_FORM_STOOD_ON"
"""Key of `request.META`: the address of the page that a stranger's form stood on."""


class UndeclaredCapabilityError(RuntimeError):
    """A view says neither what it requires nor that it is open to all."""


def may(user: User | AnonymousUser, capability: str) -> bool:
    """Tell whether this person may do this. Nobody, and a person who has left, may do nothing."""
    return isinstance(user, User) and user.is_active and user.role in CAPABILITIES[capability]


def require(user: User | AnonymousUser, capability: str) -> None:
    """Raise PermissionDenied unless `user` may do this; for jobs and for checks inside an operation."""
    if not may(user, capability):
        raise PermissionDenied


def acting_user(request: HttpRequest) -> User:
    """Return who acts, for the operation a view calls; for views under `requires`. Raises PermissionDenied for a stranger."""
    if isinstance(request.user, User):
        return request.user
    raise PermissionDenied


def requires(capability: str) -> Callable[[Callable[..., HttpResponseBase]], Callable[..., HttpResponseBase]]:
    """Declare, and enforce, the capability a view function needs. A stranger is sent to sign in; the wrong role is refused."""
    roles = CAPABILITIES[capability]

    def decorate(view: Callable[..., HttpResponseBase]) -> Callable[..., HttpResponseBase]:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not request.user.is_authenticated:
                return send_to_sign_in(request)
            require(request.user, capability)
            return view(request, *args, **kwargs)

        guarded.capability = capability  # type: ignore[attr-defined]
        guarded.roles = roles  # type: ignore[attr-defined]
        return guarded

    return decorate


def send_to_sign_in(request: HttpRequest) -> HttpResponseBase:
    """Send a stranger to sign in, and afterwards back to the page he asked for; from a sent form, to the page it stood on."""
    back = request.get_full_path()
    if request.method != "GET" or getattr(request, "htmx", False):
        came_from = urlsplit(request.headers.get("HX-Current-URL") or request.headers.get("Referer", ""))
        same_host = came_from.netloc == request.get_host()
        back = came_from._replace(scheme="", netloc="", fragment="").geturl() if same_host else "/"
        match = request.resolver_match
        if match and hasattr(match.func, "stands_on"):
            back = match.func.stands_on(**match.kwargs)
        if back != "/":
            request.META[STOOD_ON] = back
    url = redirect_to_login(back).url
    return HttpResponseClientRedirect(url) if getattr(request, "htmx", False) else HttpResponseRedirect(url)


def open_to_all(view: Callable[..., HttpResponseBase]) -> Callable[..., HttpResponseBase]:
    """Declare that anybody, signed in or not, may open this view."""

    @wraps(view)
    def opened(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        return view(request, *args, **kwargs)

    opened.capability = None  # type: ignore[attr-defined]
    return opened


class DeclaredCapabilityMiddleware:
    """Refuses to serve a view that declared nothing."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: Any) -> None:
        """Look for the declaration on the view that is about to run."""
        if not hasattr(view, "capability"):
            message = f"{request.resolver_match and request.resolver_match.view_name} declares no capability"
            raise UndeclaredCapabilityError(message)
