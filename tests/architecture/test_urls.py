"""Every address of the project, asked for as nobody and as each role, and compared with the one table of what a role may do.

A new address is covered by itself. One with an argument needs an example: its room adds a function to `EXAMPLES`, by the
argument's name ("uuid:draft_id" or "address name.argument name" where two rooms mean different things by one),
in `tests/<room>/examples.py`. What is held (OWASP ASVS 5.0, V3.5.1, V3.5.3, V8.2, V8.3):

- a view that declares no capability is refused by the middleware, and fails here;
- GET answers a stranger with the way to sign in, the wrong role with 403, the right role with a page;
- a POST without its CSRF token gets 403, whoever sends it;
- GET changes nothing in the database.
"""

import hashlib
import importlib
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.conf import settings
from django.contrib.auth.models import AnonymousUser
from django.contrib.sessions.backends.cached_db import KEY_PREFIX
from django.core.cache import caches
from django.db import connection, transaction
from django.http import HttpResponse
from django.test import Client, RequestFactory
from django.urls import URLPattern, URLResolver, get_resolver, path, reverse

from rentals.runtime import clock
from rentals.staff.models import Role, User
from rentals.staff.policy import CAPABILITIES, DeclaredCapabilityMiddleware, UndeclaredCapabilityError, open_to_all
from tests.factories import UserFactory

WHO = [None, *Role.values]
NEVER_COUNTED = ("django_session", "usersessions_usersession")
"""Sessions are written by reading: when one was last used."""

SIGNED = {"card_event", "mail_news", "reminders_stop"}
"""Addresses that machines outside send to: no token, but a signature over the body or in the address; else they answer 400."""

FINE = {200, 302, 404, 405, 409, 410}
"""What a page answers whom it lets in: 404, 410 where the example is not of this page's kind, 405 where it only takes a POST."""


def patterns(resolver: URLResolver, prefix: str = "") -> Iterator[tuple[str, URLPattern]]:
    """Walk all addresses, with their full routes."""
    for entry in resolver.url_patterns:
        if isinstance(entry, URLResolver):
            yield from patterns(entry, prefix + str(entry.pattern))
        else:
            yield prefix + str(entry.pattern), entry


ADDRESSES = list(patterns(get_resolver()))
ROUTES = [route for route, _ in ADDRESSES]


def rooms_examples() -> dict[str, object]:
    """Gather `EXAMPLES` of every room: argument name -> function that makes (or finds) one and returns the argument."""
    found: dict[str, object] = {}
    for file in sorted(Path(__file__).parents[1].glob("*/examples.py")):
        found |= importlib.import_module(f"tests.{file.parent.name}.examples").EXAMPLES
    return found


def arguments(entry: URLPattern, examples: dict[str, object]) -> dict[str, object]:
    """Give an example for every argument of an address."""
    made = {}
    for name, converter in entry.pattern.converters.items():
        kind = type(converter).__name__.removesuffix("Converter").lower()
        example = examples.get(f"{entry.name}.{name}") or examples.get(f"{kind}:{name}") or examples.get(name)
        if example is None:
            pytest.fail(
                f"The address {entry.pattern} takes “{name}”, and no room says what that may be: add a function that makes one "
                f"under “{name}” to EXAMPLES in tests/<room>/examples.py."
            )
        made[name] = example()
    return made


def address(entry: URLPattern, examples: dict[str, object]) -> str:
    """Give an address that may be asked for."""
    assert entry.name, f"the address {entry.pattern} has no name"
    return reverse(entry.name, kwargs=arguments(entry, examples))


def allowed(view: object, role: str | None) -> bool:
    """Read the table."""
    capability = view.capability
    return capability is None or (role is not None and role in CAPABILITIES[capability])


def tables() -> str:
    """Give a digest of every row of every table: which there are, and when each was last written."""
    names = [name for name in connection.introspection.table_names() if name not in NEVER_COUNTED]
    parts = [
        f"SELECT '{name}' AS t, count(*) AS n, coalesce(sum(hashtext(ctid::text || xmin::text)::bigint), 0) AS h FROM \"{name}\""
        for name in sorted(names)
    ]
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(parts))
        return hashlib.sha256(repr(sorted(cursor.fetchall())).encode()).hexdigest()


@pytest.fixture
def examples(db):
    return rooms_examples()


@pytest.fixture(scope="module")
def signed_in(django_db_setup, django_db_blocker) -> Iterator[dict[str, tuple[str, dict[str, object]]]]:
    """Sign in a person of every role, once for all addresses: what a test does on top of it is taken back at its end."""
    with django_db_blocker.unblock():
        around = transaction.atomic()
        around.__enter__()
        sessions = {role: sign_in(role) for role in Role.values}
    yield sessions
    with django_db_blocker.unblock():
        transaction.set_rollback(True)
        around.__exit__(None, None, None)


def sign_in(role: str) -> tuple[str, dict[str, object]]:
    """Sign in a new person who has looked at a page already; return the session's key and what is in it."""
    client = Client()
    client.force_login(UserFactory(role=role))
    client.get(reverse("my_account"))
    return client.session.session_key, dict(client.session.items())


@pytest.fixture
def visitor(signed_in, db):
    def visit(role: str | None, **options) -> Client:
        client = Client(raise_request_exception=True, **options)
        if role:
            key, session = signed_in[role]
            now = int(clock.now().timestamp())
            # The cache knows of no transaction: what addresses asked for before left or counted there is not this one's.
            caches["default"].delete_many(f"limit:{action}:user:{session['_auth_user_id']}" for action in ("search", "export"))
            caches["default"].set(KEY_PREFIX + key, session | {"began": now, "seen": now})
            client.cookies[settings.SESSION_COOKIE_NAME] = key
        return client

    return visit


def test_there_are_addresses_to_test():
    assert "people/<int:person_id>/" in ROUTES
    assert len(ROUTES) == len(set(ROUTES)), "two views share an address"


@pytest.mark.parametrize(("route", "entry"), ADDRESSES, ids=ROUTES)
class TestEveryAddress:
    def test_declares_a_capability_of_the_table(self, route, entry):
        assert hasattr(entry.callback, "capability"), f"{route}: say @requires(“…”) or @open_to_all on its view"
        assert entry.callback.capability is None or entry.callback.capability in CAPABILITIES

    def test_opens_to_whom_the_table_says(self, route, entry, examples, visitor):
        url = address(entry, examples)
        for role in WHO:
            client = visitor(role)
            response = client.get(url)
            if response.status_code == 405 and not allowed(entry.callback, role):
                response = client.post(url)
            got = f"{route} answers {response.status_code} to {role or 'nobody'}"
            if allowed(entry.callback, role):
                assert response.status_code in FINE, got
                assert role is None or not response.headers.get("Location", "").startswith(reverse("account_login")), got
            elif role is None:
                assert response.status_code == 302, got
                assert response["Location"].startswith(reverse("account_login")), got
            else:
                assert response.status_code == 403, got
                assert "Your role does not open this page" in response.content.decode(), got

    def test_refuses_a_post_without_its_token(self, route, entry, examples, visitor):
        url = address(entry, examples)
        refusal = 400 if entry.name in SIGNED else 403
        for role in WHO:
            response = visitor(role, enforce_csrf_checks=True).post(url, {"a": "b"})
            assert response.status_code == refusal, (
                f"{route} answers {response.status_code} to a forged POST by {role or 'nobody'}"
            )

    def test_changes_nothing_when_looked_at(self, route, entry, examples, visitor):
        url = address(entry, examples)
        clients = [visitor(role) for role in WHO]
        before = tables()
        for client in clients:
            client.get(url)
            client.head(url)
        assert tables() == before, f"GET {route} changed the database"


class TestTheTestItself:
    """Each part of it can fail."""

    def test_a_view_without_a_capability_is_never_served(self, db):
        def undeclared(request):
            return HttpResponse("open")

        request = RequestFactory().get("/")
        request.user, request.resolver_match = AnonymousUser(), None
        with pytest.raises(UndeclaredCapabilityError):
            DeclaredCapabilityMiddleware(undeclared).process_view(request, undeclared, (), {})

    def test_a_view_that_writes_on_get_is_seen(self, db):
        user = UserFactory()
        before = tables()
        assert tables() == before
        User.objects.filter(pk=user.pk).update(name=user.name)
        assert tables() != before

    def test_an_argument_without_an_example_is_named(self):
        entry = path("<int:unheard_of>/", open_to_all(lambda request: None), name="unheard")
        with pytest.raises(pytest.fail.Exception, match=re.escape("takes “unheard_of”")):
            arguments(entry, {})

    def test_the_table_is_read_by_role(self):
        view = type("View", (), {"capability": "staff.manage"})
        assert allowed(view, "administrator")
        assert not allowed(view, "manager")
        assert not allowed(view, None)
