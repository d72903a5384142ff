"""Signing in, staying in, and being put out. Limits after OWASP ASVS 5.0 (V6.3.1, V6.5.x, V7.3, V7.4) and NIST SP 800-63B-4."""

import time
from datetime import timedelta
from urllib.parse import urlsplit

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value
from allauth.usersessions.models import UserSession
from django.contrib.sessions.models import Session
from django.test import Client
from django.urls import reverse

from rentals.staff.models import Role
from rentals.staff.sign_in import seal
from tests.factories import PASSWORD, ManagerFactory, UserFactory

NEW = "seven quiet herons by the lake"


def sign_in(client, user, password=PASSWORD, **query):
    return client.post(reverse("account_login", query=query or None), {"login": user.email, "password": password})


def code_of(user, steps=0):
    authenticator = Authenticator.objects.get(user=user, type="totp")
    secret = seal().decrypt(authenticator.data["secret"].encode()).decode()
    return format_hotp_value(hotp_value(secret, int(time.time()) // 30 + steps))


@pytest.fixture
def person(db):
    return UserFactory(password=True)


@pytest.fixture
def manager(db):
    return ManagerFactory(password=True)


def is_in(client):
    return client.get(reverse("home")).status_code == 200


class TestSignIn:
    def test_by_address_in_any_case_and_on_to_the_page_asked_for(self, client, person):
        response = client.post(
            reverse("account_login", query={"next": "/my-account/"}), {"login": f" {person.email.upper()} ", "password": PASSWORD}
        )
        assert (response.status_code, response["Location"]) == (302, "/my-account/")
        assert is_in(client)

    @pytest.mark.parametrize("elsewhere", ["//evil.test/", "https://evil.test/", "javascript:alert(1)", "/\\evil.test"])
    def test_never_leads_to_another_host(self, client, person, elsewhere):
        response = sign_in(client, person, next=elsewhere)
        assert urlsplit(response["Location"])._replace(query="").geturl() == "/"

    def test_says_the_same_to_a_wrong_password_and_an_unknown_address(self, client, person):
        wrong = sign_in(client, person, "not this one at all")
        person.email = "nobody@rentals.example"
        unknown = sign_in(client, person)
        for response in (wrong, unknown):
            assert response.status_code == 422
            page = response.content.decode()
            assert "This address and this password do not go together" in page
            assert "<title>Error: Sign in" in page
            assert PASSWORD not in page

    def test_changes_the_session_key(self, client, person):
        client.get(reverse("account_login"))
        session = client.session
        session["kept"] = 1
        session.save()
        client.cookies["sessionid"] = session.session_key
        before = session.session_key
        sign_in(client, person)
        assert client.session.session_key != before
        assert not Session.objects.filter(session_key=before).exists()

    def test_keeps_passwords_with_argon2(self, person):
        assert person.password.startswith("argon2$argon2id$")

    def test_keeps_them_by_figures_that_owasp_asks_for(self, passwords_cost_little):
        """At least 19 MiB and two rounds: OWASP's Password Storage Cheat Sheet, from memory."""
        assert passwords_cost_little["memory_cost"] >= 19 * 1024
        assert passwords_cost_little["time_cost"] >= 2

    def test_refuses_somebody_who_has_left(self, client, person):
        person.is_active = False
        person.save()
        assert sign_in(client, person).status_code == 422
        assert not is_in(client)

    def test_there_is_no_signing_up_and_no_way_to_the_packages_other_pages(self, client, db):
        for path in (
            "/accounts/signup/",
            "/my-account/signup/",
            "/accounts/login/",
            "/accounts/password/reset/",
            "/my-account/email/",
        ):
            assert client.get(path).status_code == 404

    def test_leaves_no_word_of_it_in_the_log(self, client, person, caplog):
        sign_in(client, person, "hunted by canaries 90210")
        assert caplog.records
        assert "canaries" not in caplog.text
        assert person.email not in caplog.text


class TestThrottling:
    def test_refuses_the_sixth_try_in_five_minutes_even_with_the_right_password(self, client, person):
        for _ in range(5):
            assert sign_in(client, person, "wrong").status_code == 422
        refused = sign_in(client, person)
        assert refused.status_code == 422
        assert "Wait five minutes" in refused.content.decode()
        with time_machine.travel(time.time() + 301):
            assert sign_in(client, person).status_code == 302

    def test_counts_by_address_over_many_accounts(self, db):
        people = UserFactory.create_batch(12)
        answers = [sign_in(Client(), person, "wrong").content.decode() for person in people]
        assert "do not go together" in answers[9]
        assert all("Wait five minutes" in answer for answer in answers[10:])

    def test_counts_codes_too(self, client, manager):
        sign_in(client, manager)
        answers = [client.post(reverse("mfa_authenticate"), {"code": "000000"}).content.decode() for _ in range(6)]
        assert "This code is not right" in answers[4]
        assert "Wait five minutes" in answers[5]


class TestSecondFactor:
    def test_is_asked_after_the_password(self, client, manager):
        response = sign_in(client, manager)
        assert response["Location"] == reverse("mfa_authenticate")
        assert not is_in(client)
        response = client.post(reverse("mfa_authenticate"), {"code": code_of(manager)})
        assert response.status_code == 302
        assert is_in(client)

    def test_refuses_a_wrong_code_with_422(self, client, manager):
        sign_in(client, manager)
        response = client.post(reverse("mfa_authenticate"), {"code": "12345x"})
        assert response.status_code == 422
        assert not is_in(client)

    def test_refuses_a_code_used_before(self, manager):
        code = code_of(manager)
        first, second = Client(), Client()
        sign_in(first, manager)
        sign_in(second, manager)
        first.post(reverse("mfa_authenticate"), {"code": code})
        assert second.post(reverse("mfa_authenticate"), {"code": code}).status_code == 422
        assert not is_in(second)

    @pytest.mark.parametrize("role", [Role.BOOKKEEPER, Role.MANAGER, Role.ADMINISTRATOR])
    def test_must_be_set_up_before_anything_else(self, client, db, role):
        user = UserFactory(role=role, password=True, second_factor=False)
        sign_in(client, user)
        for name in ("home", "my_account", "usersessions_list", "account_change_password"):
            response = client.get(reverse(name))
            assert (response.status_code, response["Location"]) == (302, reverse("mfa_activate_totp")), name
        assert client.get(reverse("mfa_activate_totp")).status_code == 200

    @pytest.mark.parametrize("role", [Role.SPECIALIST, Role.TECHNICIAN])
    def test_is_free_for_the_others(self, client, db, role):
        sign_in(client, UserFactory(role=role, password=True))
        assert is_in(client)

    def test_the_demos_people_go_without(self, client, db, settings):
        settings.DEMO = True
        sign_in(client, UserFactory(role=Role.MANAGER, password=True, second_factor=False))
        assert is_in(client)

    def test_set_up_shows_recovery_codes_once_and_each_works_once(self, client, db):
        user = ManagerFactory(password=True, second_factor=False)
        other = Client()
        sign_in(other, user)
        sign_in(client, user)
        page = client.get(reverse("mfa_activate_totp"))
        assert "<svg" in page.content.decode()
        secret = page.context["form"].secret
        assert client.post(reverse("mfa_activate_totp"), {"code": "000000"}).status_code == 422
        code = format_hotp_value(hotp_value(secret, int(time.time()) // 30))
        codes = client.post(reverse("mfa_activate_totp"), {"code": code}).context["codes"]
        assert len(codes) == 10
        assert is_in(client)
        assert not is_in(other), "a session from before the second factor is ended"
        assert codes[0] not in client.get(reverse("mfa_view_recovery_codes")).content.decode()
        stored = str(list(Authenticator.objects.filter(user=user).values_list("data", flat=True)))
        assert secret not in stored
        assert not any(code in stored for code in codes)
        for expected in (302, 422):
            visitor = Client()
            sign_in(visitor, user)
            assert visitor.post(reverse("mfa_authenticate"), {"code": codes[0]}).status_code == expected

    def test_new_codes_end_the_earlier_ones_and_ask_for_the_password_first(self, client, manager):
        with time_machine.travel(time.time() - 600):
            sign_in(client, manager)
            client.post(reverse("mfa_authenticate"), {"code": code_of(manager)})
        response = client.post(reverse("mfa_view_recovery_codes"))
        assert response.status_code == 302
        assert reverse("account_reauthenticate") in response["Location"]
        client.post(response["Location"], {"password": PASSWORD})
        codes = client.post(reverse("mfa_view_recovery_codes")).context["codes"]
        assert len(codes) == 10


class TestSession:
    def test_ends_after_half_an_hour_without_work(self, client, person):
        start = time.time()
        with time_machine.travel(start):
            sign_in(client, person)
        with time_machine.travel(start + 29 * 60):
            assert is_in(client)
        with time_machine.travel(start + 58 * 60):
            assert is_in(client)
        with time_machine.travel(start + 58 * 60 + 1801):
            response = client.get(reverse("my_account"))
            assert response["Location"] == f"{reverse('account_login')}?next=/my-account/"
            assert "You were signed out because" in client.get(response["Location"]).content.decode()

    def test_ends_after_twelve_hours_however_busy(self, client, person):
        start = time.time()
        for minutes in range(0, 12 * 60, 20):
            with time_machine.travel(start + minutes * 60):
                sign_in(client, person) if minutes == 0 else None
                assert is_in(client), minutes
        with time_machine.travel(start + timedelta(hours=12).total_seconds() + 1):
            assert not is_in(client)

    def test_an_old_cookie_opens_nothing_after_signing_out(self, client, person):
        sign_in(client, person)
        cookie = client.cookies["sessionid"].value
        client.post(reverse("account_logout"))
        thief = Client()
        thief.cookies["sessionid"] = cookie
        assert not is_in(thief)

    def test_signing_out_takes_a_post(self, client, person):
        sign_in(client, person)
        assert client.get(reverse("account_logout")).status_code == 405
        assert is_in(client)

    def test_somebody_put_out_is_out_at_once(self, client, person):
        sign_in(client, person)
        person.is_active = False
        person.save(update_fields=["is_active"])
        assert not is_in(client)

    def test_somebody_with_another_role_is_out_at_once(self, client, person):
        sign_in(client, person)
        person.role = Role.TECHNICIAN
        person.save(update_fields=["role"])
        assert not is_in(client)

    def test_a_new_password_ends_the_other_sessions_and_keeps_this_one(self, client, person):
        other = Client()
        sign_in(other, person)
        sign_in(client, person)
        fields = {"oldpassword": PASSWORD, "password1": NEW, "password2": NEW}
        assert client.post(reverse("account_change_password"), fields).status_code == 302
        assert is_in(client)
        assert not is_in(other)

    def test_other_sessions_can_be_ended(self, client, person):
        other = Client()
        sign_in(other, person)
        sign_in(client, person)
        assert UserSession.objects.filter(user=person).count() == 2
        assert "This one" in client.get(reverse("usersessions_list")).content.decode()
        client.post(reverse("usersessions_list"))
        assert is_in(client)
        assert not is_in(other)

    def test_survives_one_change_of_the_secret_key_and_not_a_second(self, client, person, settings):
        first, second, third = (letter * 60 for letter in "abc")
        settings.SECRET_KEY = first
        sign_in(client, person)
        settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = second, [first]
        assert is_in(client)
        settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = third, [second]
        assert is_in(client), "the session was renewed under the second key"
        client = Client()
        settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = first, []
        sign_in(client, person)
        settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = third, [second]
        assert not is_in(client)


class TestSentFormAfterTheEnd:
    def test_leads_back_to_the_page_it_stood_on(self, client, db):
        response = client.post("/my-account/password/", {}, headers={"referer": "http://testserver/my-account/password/?a=1"})
        assert response["Location"] == "/sign-in/?next=/my-account/password/%3Fa%3D1"

    def test_never_to_another_host(self, client, db):
        response = client.post("/my-account/password/", {}, headers={"referer": "http://evil.test/my-account/"})
        assert response["Location"] == "/sign-in/?next=/"

    def test_a_fragment_asked_for_by_htmx_takes_the_whole_page_there(self, client, db):
        headers = {"hx-request": "true", "hx-current-url": "http://testserver/my-account/"}
        response = client.get("/my-account/sessions/", headers=headers)
        assert response["HX-Redirect"] == "/sign-in/?next=/my-account/"
