"""Every screen of this room in a real browser: axe-core finds nothing, in both themes, and nothing runs off the side."""

import os
from pathlib import Path

import pytest
from django.conf import settings
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.cached_db import SessionStore
from django.urls import reverse

from rentals.staff.history import acting_as
from rentals.staff.models import Office, User
from tests.browser import list_violations
from tests.factories import PASSWORD, AdministratorFactory, ManagerFactory, UserFactory

WIDTHS = (1280, 1024, 390)
PICTURES = os.environ.get("OFFICE_PICTURES")


def sign_in(context, url, user):
    """Give the browser a session, as signing in would."""
    session = SessionStore()
    session[SESSION_KEY], session[BACKEND_SESSION_KEY] = str(user.pk), settings.AUTHENTICATION_BACKENDS[0]
    session[HASH_SESSION_KEY] = user.get_session_auth_hash()
    session.create()
    context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session.session_key, "url": url}])


def look(page, name):
    """Hold the page to the rules at every width, light and dark; keep pictures where OFFICE_PICTURES says."""
    for theme in ("light", "dark"):
        page.emulate_media(color_scheme=theme)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 800 if width > 500 else 844})
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), f"{name} runs off the side at {width}"
            if PICTURES:
                page.screenshot(path=Path(PICTURES) / f"{name}-{width}-{theme}.png", full_page=True)
        assert list_violations(page) == [], f"{name}, {theme}"


@pytest.fixture
def manager(transactional_db):
    Office.objects.update_or_create(id=1, defaults={"name": "Larkspur Music"})
    manager = ManagerFactory(name="Mona Field", email="mona@rentals.example")
    with acting_as(manager, "renaming"):
        User.objects.filter(pk=UserFactory(name="Theo Bright").pk).update(name="Theo Bright-Hill")
    return manager


class TestScreens:
    def test_of_strangers(self, page, live_server, manager):
        page.goto(live_server.url + reverse("account_login"))
        look(page, "sign-in")
        page.get_by_label("E-mail address").fill("mona@rentals.example")
        page.get_by_label("Password").fill("wrong")
        page.get_by_role("button", name="Sign in").click()
        assert page.title().startswith("Error: Sign in")
        assert page.evaluate("document.activeElement.closest('.error-summary, [role=alert]') !== null")
        look(page, "sign-in-refused")
        page.goto(live_server.url + reverse("choose_password"))
        look(page, "link-spent")

    def test_of_the_second_factor(self, page, live_server, manager):
        user = AdministratorFactory(password=True, second_factor=False, name="Ada Ministrant")
        page.goto(live_server.url + "/")
        page.get_by_label("E-mail address").fill(user.email)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        assert page.url.endswith(reverse("mfa_activate_totp"))
        look(page, "set-up-factor")

    @pytest.mark.parametrize("name", ["home", "my_account", "account_change_password", "usersessions_list", "history"])
    def test_of_a_manager(self, page, context, live_server, manager, name):
        sign_in(context, live_server.url, manager)
        page.goto(live_server.url + reverse(name))
        look(page, name)

    def test_of_an_administrator(self, page, context, live_server, manager):
        sign_in(context, live_server.url, AdministratorFactory(name="Ada Ministrant"))
        one = [manager.pk]
        for name, arguments in [("people", []), ("add_person", []), ("change_person", one), ("reset_second_factor", one)]:
            page.goto(live_server.url + reverse(name, args=arguments))
            look(page, name)
        page.goto(live_server.url + reverse("change_person", args=[manager.pk]))
        page.get_by_role("button", name="Make a link").click()
        look(page, "password-link")
        page.goto(live_server.url + "/households/")
        look(page, "refused")
