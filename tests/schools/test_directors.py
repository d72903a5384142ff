"""Directors, and what a school agreed that they may see."""

import datetime

import pytest
from django.db import IntegrityError, connection, transaction
from django.urls import reverse

from rentals.staff.models import User
from schools import directors
from schools.models import Director, RosterConsent
from tests.factories import UserFactory
from tests.schools.factories import DirectorFactory, ProgrammeFactory, RosterConsentFactory

pytestmark = pytest.mark.django_db
TODAY = datetime.date(2026, 11, 28)
NOW = datetime.datetime(2026, 11, 28, 16, 0, tzinfo=datetime.UTC)


def facts(programme, **changes) -> directors.DirectorFacts:
    known = {"name": "Al Forte", "email": "al@school.example", "phone": "", "programmes": [programme]}
    return directors.DirectorFacts(**{**known, "since_on": None, "until_on": None, **changes})


def with_sign_in() -> Director:
    director = RosterConsentFactory().director
    director.user = UserFactory()
    director.save()
    return director


def refused(act) -> str:
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        act()
    return str(caught.value)


class TestConsent:
    def test_keeps_the_words_as_they_were_shown(self):
        made = directors.record_consent(
            director_id=DirectorFactory().pk, agreed_by="Pat Chalk", agreed_on=TODAY, acting_user=UserFactory(), now=NOW
        )
        assert (made.words, made.words_version, made.is_in_force) == (directors.WORDS, directors.WORDS_VERSION, True)

    def test_stands_once(self):
        consent = RosterConsentFactory()
        with pytest.raises(directors.ConsentInForceError, match="already"):
            directors.record_consent(
                director_id=consent.director_id, agreed_by="Pat", agreed_on=TODAY, acting_user=UserFactory(), now=NOW
            )
        assert "roster_consent_one_in_force" in refused(lambda: RosterConsentFactory(director=consent.director))

    def test_withdrawing_ends_the_sign_in_at_once(self, client_as):
        director = with_sign_in()
        directors.withdraw_consent(director_id=director.pk, why="Left the school", acting_user=UserFactory(), now=NOW)
        assert not User.objects.get(pk=director.user_id).is_active
        assert directors.consent_in_force(director.pk) is None
        with pytest.raises(directors.NoConsentError):
            directors.withdraw_consent(director_id=director.pk, why="Again", acting_user=UserFactory(), now=NOW)

    def test_nobody_signs_in_without_one(self):
        director, user = DirectorFactory(), UserFactory()
        said = refused(lambda: Director.objects.filter(pk=director.pk).update(user=user))
        assert "only while a consent" in said

    @pytest.mark.parametrize("half", ["withdrawn_at = now()", "withdrawn_by_id = recorded_by_id, withdrawn_why = 'Gone'"])
    def test_the_database_refuses_to_withdraw_by_halves(self, half):
        consent = RosterConsentFactory()
        with pytest.raises(IntegrityError, match="withdrawn_by_someone"), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(f"UPDATE schools_rosterconsent SET {half} WHERE id = %s", [consent.pk])

    def test_what_was_agreed_is_never_rewritten_or_removed(self):
        consent = RosterConsentFactory()
        same = RosterConsent.objects.filter(pk=consent.pk)
        assert "stays as it was" in refused(lambda: same.update(words="Everything"))
        assert "stays as it was" in refused(same.delete)
        directors.withdraw_consent(director_id=consent.director_id, why="Over", acting_user=UserFactory(), now=NOW)
        assert "stays as it was" in refused(lambda: same.update(withdrawn_at=None, withdrawn_by=None, withdrawn_why=""))


class TestChangeDirector:
    def test_refuses_one_that_somebody_changed_meanwhile(self):
        programme = ProgrammeFactory()
        director = directors.add_director(facts=facts(programme), today=TODAY, acting_user=UserFactory())
        change = {"director_id": director.pk, "today": TODAY, "acting_user": UserFactory()}
        directors.change_director(facts=facts(programme, name="Al Piano"), version=1, **change)
        with pytest.raises(directors.DirectorChangedError, match="Al Piano"):
            directors.change_director(facts=facts(programme, name="Al Mezzo"), version=1, **change)

    def test_who_has_left_cannot_sign_in(self):
        director = with_sign_in()
        leaving = facts(ProgrammeFactory(), until_on=TODAY - datetime.timedelta(days=1))
        directors.change_director(director_id=director.pk, facts=leaving, version=1, today=TODAY, acting_user=UserFactory())
        assert not User.objects.get(pk=director.user_id).is_active

    def test_the_database_refuses_a_last_day_before_the_first(self):
        first = datetime.date(2026, 9, 1)
        said = refused(lambda: DirectorFactory(since_on=first, until_on=first - datetime.timedelta(days=1)))
        assert "director_leaves_after_coming" in said


class TestScreens:
    def test_writes_one_down_and_agrees(self, client_as):
        programme, client = ProgrammeFactory(), client_as("specialist")
        place = [programme.school_id]
        sent = {"name": "Al Forte", "email": "al@school.example", "programmes": [programme.pk], "since_on": "11/01/2026"}
        client.post(reverse("director_add", args=place), sent)
        director = Director.objects.get()
        assert list(director.programmes.all()) == [programme]
        asked = client.get(reverse("consent_record", args=[*place, director.pk])).text
        assert "FERPA" in asked
        assert "No addresses" in asked
        agreed = {"agreed_by": "Pat Chalk", "agreed_on": "11/01/2026"}
        unread = client.post(reverse("consent_record", args=[*place, director.pk]), agreed)
        assert unread.status_code == 422
        client.post(reverse("consent_record", args=[*place, director.pk]), {**agreed, "has_read": "on"})
        assert "Agreed" in client.get(reverse("school", args=place)).text
        client.post(reverse("consent_withdraw", args=[*place, director.pk]), {"why": "New principal"})
        assert "New principal" in client.get(reverse("school", args=place)).text

    def test_a_stale_change_is_answered_with_409_and_loses_nothing(self, client_as):
        programme = ProgrammeFactory()
        director = DirectorFactory(programmes=[programme], version=3)
        sent = {"name": "Al Mezzo", "programmes": [programme.pk], "version": "2"}
        answer = client_as("specialist").post(reverse("director_change", args=[programme.school_id, director.pk]), sent)
        assert answer.status_code == 409
        assert 'value="Al Mezzo"' in answer.text

    def test_another_schools_director_is_not_found(self, client_as):
        director = DirectorFactory(programmes=[ProgrammeFactory()])
        for name in ("director_change", "consent_record", "consent_withdraw"):
            assert client_as("manager").get(reverse(name, args=[ProgrammeFactory().school_id, director.pk])).status_code == 404
