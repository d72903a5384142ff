"""Who works here, and how they get in, out and back in."""

import re
import time
from io import StringIO
from urllib.parse import urlsplit

import psycopg
import pytest
import time_machine
from django.apps import apps
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from rentals.runtime import clock
from rentals.staff import people
from rentals.staff.models import Role, User
from tests.factories import PASSWORD, AdministratorFactory, ManagerFactory, UserFactory

NEW = "seven quiet herons by the lake"
CHOICE = {"password1": NEW, "password2": NEW}


@pytest.fixture
def administrator(client_as):
    return client_as("administrator")


def link_in(response):
    return re.search(r"http://testserver(/choose-password/\?[^<]+)", response.content.decode()).group(1).replace("&amp;", "&")


def last_event(person):
    return apps.get_model("staff", "UserEvent").objects.filter(pgh_obj_id=person.pk).latest("pgh_id")


class TestAddPerson:
    FIELDS = {"name": "Sam Example", "email": "Sam@Rentals.Example", "role": "bookkeeper"}

    def test_shows_a_link_with_which_they_choose_their_password(self, administrator):
        link = link_in(administrator.post(reverse("add_person"), self.FIELDS))
        person = User.objects.get(email="sam@rentals.example")
        assert not person.has_usable_password()
        visitor = Client()
        for _ in range(2):
            assert "Choose your password" in visitor.get(link).content.decode(), "looking does not use it up"
        assert visitor.post(link, CHOICE)["Location"] == reverse("account_login")
        person.refresh_from_db()
        assert person.check_password(NEW)
        assert visitor.get(link).status_code == 410
        assert visitor.post(link, {"password1": PASSWORD, "password2": PASSWORD}).status_code == 410

    def test_refuses_an_address_in_the_list_and_keeps_what_was_typed(self, administrator):
        UserFactory(email="sam@rentals.example")
        response = administrator.post(reverse("add_person"), self.FIELDS)
        assert response.status_code == 422
        assert "in the list already" in response.content.decode()
        assert "Sam Example" in response.content.decode()

    def test_takes_only_what_the_form_asks(self, administrator):
        administrator.post(
            reverse("add_person"), self.FIELDS | {"is_active": "", "password": "x", "id": "1", "joined_at": "2001-01-01"}
        )
        person = User.objects.get(email="sam@rentals.example")
        assert person.is_active
        assert person.joined_at.year > 2001


class TestTheLink:
    @pytest.fixture
    def link(self, administrator):
        self.person = UserFactory()
        return link_in(administrator.post(reverse("make_password_link", args=[self.person.pk])))

    def test_ends_after_ten_minutes(self, link):
        with time_machine.travel(time.time() + 590):
            assert Client().get(link).status_code == 200
        with time_machine.travel(time.time() + 602):
            assert Client().get(link).status_code == 410
            assert Client().post(link, CHOICE).status_code == 410

    def test_ends_when_another_is_made(self, administrator, link):
        administrator.post(reverse("make_password_link", args=[self.person.pk]))
        assert Client().get(link).status_code == 410

    def test_opens_for_nobody_else(self, link):
        other = UserFactory()
        assert Client().get(link.replace(f"for={self.person.pk}", f"for={other.pk}")).status_code == 410

    def test_opens_not_for_somebody_who_left(self, link):
        User.objects.filter(pk=self.person.pk).update(is_active=False)
        assert Client().get(link).status_code == 410

    def test_holds_the_password_to_the_rules(self, link):
        response = Client().post(link, {"password1": "short", "password2": "short"})
        assert response.status_code == 422
        assert "Use at least 15 characters" in response.content.decode()
        response = Client().post(link, {"password1": NEW, "password2": NEW + "!"})
        assert "The two passwords differ" in response.content.decode()

    def test_keeps_its_token_out_of_the_path_that_is_logged(self, link):
        assert urlsplit(link).path == "/choose-password/"

    def test_takes_the_present_password_away_and_ends_sessions(self, administrator):
        person = UserFactory(password=True)
        theirs = Client()
        theirs.post(reverse("account_login"), {"login": person.email, "password": PASSWORD})
        assert theirs.get("/").status_code == 200
        administrator.post(reverse("make_password_link", args=[person.pk]))
        assert theirs.get("/").status_code == 302
        person.refresh_from_db()
        assert not person.has_usable_password()

    def test_is_not_for_oneself(self, administrator):
        response = administrator.post(reverse("make_password_link", args=[administrator.user.pk]), follow=True)
        assert "change in your account" in response.content.decode()


class TestLeavingAndComingBack:
    def test_ends_sessions_and_says_why_in_the_history(self, administrator):
        person = UserFactory(password=True)
        theirs = Client()
        theirs.post(reverse("account_login"), {"login": person.email, "password": PASSWORD})
        administrator.post(reverse("deactivate_person", args=[person.pk]), {"reason": "moved to another town"})
        assert theirs.get("/").status_code == 302
        event = last_event(person)
        assert not event.is_active
        assert event.pgh_context.metadata["reason"] == "moved to another town"
        assert event.pgh_context.metadata["user"] == administrator.user.pk
        administrator.post(reverse("reactivate_person", args=[person.pk]))
        assert theirs.get("/").status_code == 302, "an old session does not come back with them"
        assert theirs.post(reverse("account_login"), {"login": person.email, "password": PASSWORD}).status_code == 302

    def test_takes_a_reason_and_a_second_person(self, administrator):
        person = UserFactory()
        assert administrator.post(reverse("deactivate_person", args=[person.pk]), {"reason": " "}).status_code == 422
        assert User.objects.get(pk=person.pk).is_active
        AdministratorFactory()
        response = administrator.post(reverse("deactivate_person", args=[administrator.user.pk]), {"reason": "me"})
        assert "takes a second person" in response.content.decode()

    def test_knows_nothing_of_the_name_jobs_act_under(self, administrator):
        from rentals.staff.operations import ensure_system_user

        system = ensure_system_user()
        assert system.name not in administrator.get(reverse("people")).content.decode()
        assert administrator.get(reverse("change_person", args=[system.pk])).status_code == 404


class TestTheLastAdministrator:
    def test_keeps_the_role(self, administrator):
        fields = {"name": "Me", "role": "manager"}
        response = administrator.post(reverse("change_person", args=[administrator.user.pk]), fields)
        assert response.status_code == 422
        assert "last administrator" in response.content.decode()
        AdministratorFactory()
        assert administrator.post(reverse("change_person", args=[administrator.user.pk]), fields).status_code == 302

    @pytest.mark.parametrize(
        "statement",
        [
            "UPDATE staff_user SET role = 'manager' WHERE role = 'administrator'",
            "UPDATE staff_user SET is_active = false WHERE role = 'administrator'",
            "DELETE FROM staff_user WHERE role = 'administrator'",
        ],
    )
    def test_stays_even_in_sql(self, owner_cursor, statement):
        AdministratorFactory.create_batch(2)
        with pytest.raises(psycopg.errors.RestrictViolation, match="the last administrator stays"):
            owner_cursor.execute(statement)

    def test_stays_when_two_put_each_other_out_at_once(self, transactional_db, race):
        one, two = AdministratorFactory.create_batch(2)

        def put_out(person, by):
            return lambda: people.deactivate_person(person_id=person.pk, reason="race", acting_user=by)

        outcomes = race(put_out(two, one), put_out(one, two))
        assert User.objects.filter(role=Role.ADMINISTRATOR, is_active=True).count() == 1
        assert sum(isinstance(outcome, Exception) for outcome in outcomes) == 1


class TestResetSecondFactor:
    def test_takes_factor_and_password_and_says_why(self, administrator):
        manager = ManagerFactory(password=True)
        link = link_in(administrator.post(reverse("reset_second_factor", args=[manager.pk]), {"reason": "telephone lost"}))
        visitor = Client()
        visitor.post(link, CHOICE)
        response = visitor.post(reverse("account_login"), {"login": manager.email, "password": NEW}, follow=True)
        assert response.request["PATH_INFO"] == reverse("mfa_activate_totp"), "it has to be set up anew"
        reasons = apps.get_model("staff", "UserEvent").objects.filter(pgh_obj_id=manager.pk, factor_reset_at__isnull=False)
        assert reasons.first().pgh_context.metadata["reason"] == "telephone lost"

    def test_is_never_done_to_oneself(self, administrator):
        response = administrator.post(reverse("reset_second_factor", args=[administrator.user.pk]), {"reason": "me"})
        assert response.status_code == 422
        with pytest.raises(people.OwnAccountError):
            people.reset_second_factor(
                person_id=administrator.user.pk, reason="me", acting_user=administrator.user, now=clock.now()
            )


class TestAddPersonCommand:
    def test_makes_the_first_administrator(self, db):
        out = StringIO()
        call_command("add_person", "first@rentals.example", "First One", "administrator", stdout=out)
        link = urlsplit(out.getvalue().strip())
        assert Client().post(f"{link.path}?{link.query}", CHOICE).status_code == 302
        assert User.objects.get(email="first@rentals.example").check_password(NEW)
        with pytest.raises(CommandError, match="in the list already"):
            call_command("add_person", "first@rentals.example", "First One", "administrator", stdout=out)


class TestListPeople:
    def test_takes_few_queries(self, administrator, django_assert_max_num_queries):
        UserFactory.create_batch(8)
        administrator.get(reverse("people"))
        with django_assert_max_num_queries(6):
            administrator.get(reverse("people"))
