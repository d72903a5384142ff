"""Doors and forms from home: what is kept, what others read of it, and when it is gone."""

import datetime
import uuid

import pytest
from django.db import IntegrityError, InternalError, transaction

from rentals.portal import operations, queries, rules
from rentals.portal.models import HomeFamily, HomeForm, NightDoor
from tests.factories import UserFactory
from tests.inventory.factories import kind
from tests.portal.factories import AT, DoorFactory, HomeFamilyFactory, HomeFormFactory
from tests.schools.factories import NightFactory, ProgrammeFactory

PAGES = rules.pages_of(has_sizes=False, programmes=1)
WHO = {"given_name": "Marisol", "family_name": "Quintero"}


def filled(door: NightDoor, browser: uuid.UUID | None = None) -> HomeForm:
    """Answer every page."""
    form = operations.begin_form(door=door, browser=browser or uuid.uuid4(), language="es", now=AT)
    pages = {
        "who": WHO,
        "reach": {"phone": "+13125550142", "email": ""},
        "street": {"street": "12 Alder Lane", "unit": ""},
        "town": {"city": "Springdale", "state": "IL", "postal_code": "62704"},
        "student": {"given_name": "Wren", "family_name": "Quintero", "grade": 5, "programme": door.night.programmes.get()},
        "instrument": {"kind": None},
        "protection": {"protection": "ask"},
    }
    for page, answers in pages.items():
        form = operations.save_page(form=form, page=page, answers=answers, now=AT)
    return form


class TestOpenDoor:
    def test_gives_a_night_one_door_with_a_long_code(self, db):
        night, user = NightFactory(), UserFactory()
        today = night.on - datetime.timedelta(days=3)
        door = operations.open_door(night=night, acting_user=user, today=today)
        again = operations.open_door(night=night, acting_user=user, today=today)
        assert again == door
        assert len(door.code) == 22
        assert queries.is_open(door, today=night.on)
        assert not queries.is_open(door, today=night.on + datetime.timedelta(days=1))

    def test_opens_again_under_the_same_code(self, db):
        door = DoorFactory()
        operations.close_door(night=door.night, acting_user=door.opened_by, now=AT)
        assert not queries.is_open(NightDoor.objects.get(), today=door.night.on)
        again = operations.open_door(night=door.night, acting_user=door.opened_by, today=door.night.on)
        assert (again.code, again.closed_at) == (door.code, None)

    def test_refuses_a_night_that_is_over(self, db):
        night = NightFactory()
        with pytest.raises(operations.NightOverError):
            operations.open_door(night=night, acting_user=UserFactory(), today=night.on + datetime.timedelta(days=1))


class TestBeginForm:
    def test_makes_one_form_of_many_sends(self, transactional_db, race):
        door, browser = DoorFactory(), uuid.uuid4()

        def send():
            return operations.begin_form(door=door, browser=browser, language="en", now=AT).pk

        made = race(*[send] * 8)
        assert len(set(made)) == 1
        assert isinstance(made[0], int)
        assert HomeForm.objects.count() == HomeFamily.objects.count() == 1

    def test_the_same_browser_at_two_nights_has_two(self, db):
        browser = uuid.uuid4()
        for door in (DoorFactory(), DoorFactory()):
            operations.begin_form(door=door, browser=browser, language="en", now=AT)
        assert HomeFamily.objects.filter(browser=browser).count() == 2


class TestFinishForm:
    def test_gives_the_family_a_code_to_say(self, db):
        form = operations.finish_form(form=filled(DoorFactory()), pages=PAGES, now=AT)
        assert set(form.family.code) <= set(rules.LETTERS)
        assert (form.code, form.finished_at) == (form.family.code, AT)

    def test_finished_twice_is_finished_once(self, db):
        form = operations.finish_form(form=filled(DoorFactory()), pages=PAGES, now=AT)
        again = operations.finish_form(form=form, pages=PAGES, now=AT + datetime.timedelta(hours=1))
        assert (again.finished_at, again.family.code) == (AT, form.family.code)

    def test_names_the_page_that_is_missing(self, db):
        form = operations.begin_form(door=DoorFactory(), browser=uuid.uuid4(), language="en", now=AT)
        operations.save_page(form=form, page="who", answers=WHO, now=AT)
        with pytest.raises(operations.FormNotWholeError) as missing:
            operations.finish_form(form=form, pages=PAGES, now=AT)
        assert missing.value.page == "reach"

    def test_draws_another_code_where_one_is_taken(self, db, monkeypatch):
        HomeFamilyFactory(code="BBBB")
        drawn = iter(["BBBB", "BBBB", "CCCC"])
        monkeypatch.setattr(rules, "new_code", lambda: next(drawn))
        assert operations.finish_form(form=filled(DoorFactory()), pages=PAGES, now=AT).family.code == "CCCC"


class TestAddChild:
    def test_asks_nothing_of_the_family_again(self, db):
        first = operations.finish_form(form=filled(DoorFactory()), pages=PAGES, now=AT)
        second = operations.add_child(form=first, now=AT)
        assert operations.add_child(form=first, now=AT) == second
        answered = {*second.family.answered, *second.answered}
        assert rules.next_open(PAGES, answered) == "student"
        assert (second.family_name, second.code) == ("Quintero", f"{first.code}-2")

    def test_stops_at_eight(self, db):
        with pytest.raises(operations.TooManyChildrenError):
            operations.add_child(form=HomeFormFactory(place=8), now=AT)


class TestListHomeForms:
    def test_gives_what_a_tablet_takes_along(self, db, django_assert_num_queries):
        form = HomeFormFactory(kind=kind("violin"), size="1/2")
        HomeFormFactory()
        HomeFormFactory(family=form.family, place=2, finished_at=None)
        with django_assert_num_queries(1):
            found = queries.list_home_forms(form.family.door.night)
        assert found == [
            {
                "code": form.family.code,
                "language": "es",
                "household": {
                    "name": "Quintero", "street": "12 Alder Lane", "unit": "", "city": "Springdale", "state": "IL",
                    "postal_code": "62704",
                },
                "guardian": {
                    "given_name": "Marisol", "family_name": "Quintero", "phone": "+13125550142", "email": "marisol@example.com",
                },
                "student": {"given_name": "Wren", "family_name": "Quintero", "grade": 5, "programme": form.programme_id},
                "kind": "violin",
                "size": "1/2",
                "protection": "ask",
                "finished_at": "2026-11-28T18:00:00+00:00",
            }
        ]  # fmt: skip

    def test_leaves_out_what_a_sign_up_used(self, db):
        form = HomeFormFactory()
        operations.mark_used(code=form.code.lower(), now=AT)
        assert queries.list_home_forms(form.family.door.night) == []
        assert operations.mark_used(code=form.code, now=AT + datetime.timedelta(hours=1)).used_at == AT


class TestFindHomeForm:
    def test_by_code_by_child_and_by_name(self, db):
        first = HomeFormFactory()
        second = HomeFormFactory(family=first.family, place=2)
        night = first.family.door.night
        assert queries.find_home_form(night, f" {first.code.lower()} ") == [first, second]
        assert queries.find_home_form(night, second.code) == [second]
        assert queries.find_home_form(night, "quint") == [first, second]
        assert queries.find_home_form(night, "q") == []
        assert queries.find_home_form(NightFactory(), first.code) == []

    def test_a_name_that_could_be_a_code_is_still_a_name(self, db):
        form = HomeFormFactory(family=HomeFamilyFactory(family_name="Byrd"))
        assert queries.find_home_form(form.family.door.night, "Byrd") == [form]


class TestUsedForms:
    def test_change_no_more(self, db):
        form = HomeFormFactory()
        operations.mark_used(code=form.code, now=AT)
        with pytest.raises(operations.FormUsedError):
            operations.save_page(form=form, page="student", answers={"grade": 6}, now=AT)

    def test_an_unknown_code_is_said(self, db):
        for code in ("Rivera", "BBBB", "BBBB-2"):
            with pytest.raises(operations.HomeFormNotFoundError):
                operations.mark_used(code=code, now=AT)


class TestPurge:
    def test_two_weeks_after_the_night_nothing_is_left(self, db):
        form = HomeFormFactory()
        last = form.family.door.night.on + datetime.timedelta(days=14)
        at = datetime.datetime.combine(last, datetime.time(9), tzinfo=datetime.UTC)
        assert operations.purge_home_forms(today=last, now=at) == 0
        assert operations.purge_home_forms(today=last + datetime.timedelta(days=1), now=at) == 1
        assert not HomeFamily.objects.exists()
        assert not HomeForm.objects.exists()

    def test_what_nobody_finished_goes_after_a_week(self, db):
        door = DoorFactory(night=NightFactory(on=datetime.date(2027, 3, 1)))
        form = operations.begin_form(door=door, browser=uuid.uuid4(), language="en", now=AT)
        operations.save_page(form=form, page="who", answers=WHO, now=AT + datetime.timedelta(days=1))
        finished = HomeFormFactory(family=HomeFamilyFactory(door=door))
        for days, gone in ((8, 0), (9, 1)):
            at = AT + datetime.timedelta(days=days)
            assert operations.purge_home_forms(today=at.date(), now=at) == gone
        assert HomeForm.objects.get() == finished


class TestTheDatabase:
    """What must never be, against raw SQL."""

    def refuses(self, statement: str, *values: object) -> str:
        from django.db import connection

        with pytest.raises((IntegrityError, InternalError)) as refused, transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement, values)
        return str(refused.value)

    def test_a_door_has_a_code_too_long_to_guess(self, db):
        door = DoorFactory()
        said = self.refuses("UPDATE portal_nightdoor SET code = 'abc' WHERE id = %s", door.pk)
        assert "night_door_code_long" in said

    def test_a_finished_form_is_whole(self, db):
        said = self.refuses("UPDATE portal_homeform SET programme_id = NULL WHERE id = %s", HomeFormFactory().pk)
        assert "home_form_finished_is_whole" in said

    def test_a_finished_form_belongs_to_a_family_with_a_code(self, db):
        form = HomeFormFactory(family=HomeFamilyFactory(code=None), finished_at=None)
        said = self.refuses("UPDATE portal_homeform SET finished_at = now() WHERE id = %s", form.pk)
        assert "a finished form has a family with a code" in said

    def test_a_used_form_stays_used(self, db):
        form = HomeFormFactory(used_at=AT)
        assert "a form that was used stays" in self.refuses("UPDATE portal_homeform SET used_at = NULL WHERE id = %s", form.pk)

    def test_codes_are_readable_and_once(self, db):
        one, other = HomeFamilyFactory(code="BCDF"), HomeFamilyFactory()
        assert "home_family_code_readable" in self.refuses("UPDATE portal_homefamily SET code = 'O0I1' WHERE id = %s", one.pk)
        assert "home_family_code_once" in self.refuses("UPDATE portal_homefamily SET code = 'BCDF' WHERE id = %s", other.pk)

    def test_one_browser_one_family_a_night(self, db):
        one, other = HomeFamilyFactory(), HomeFamilyFactory()
        statement = "UPDATE portal_homefamily SET door_id = %s, browser = %s WHERE id = %s"
        assert "home_family_once_per_browser" in self.refuses(statement, one.door_id, one.browser, other.pk)

    def test_no_column_holds_a_day_of_birth_or_a_picture(self, db):
        names = {field.name for model in (HomeFamily, HomeForm) for field in model._meta.get_fields()}
        assert not {name for name in names if any(word in name for word in ("birth", "born", "photo", "picture", "signature"))}


def test_a_programme_of_the_night_is_listed(db):
    programme = ProgrammeFactory()
    night = NightFactory(school=programme.school, programmes=[programme])
    assert queries.list_programmes(night) == [programme]
