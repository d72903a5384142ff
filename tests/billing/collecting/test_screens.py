"""The page of a family that owes, noting a call, promising, planning, and the call list."""

import re
import uuid

import pytest

from billing import charges, overdue
from billing.models import Arrangement, CallNote, StepsVersion
from rentals.runtime import clock
from tests.billing.collecting.test_arrangements import day, noon
from tests.billing.factories import AgreementFactory, GuardianFactory
from tests.factories import BookkeeperFactory


@pytest.fixture
def owing(db, monkeypatch):
    """A household that came to the call on day 35, which is today."""
    agreement, clerk = AgreementFactory(), BookkeeperFactory()
    GuardianFactory(household=agreement.household, is_primary=True, phone="+13125550101")
    charges.charge_period(agreement=agreement, period=0, acting_user=clerk, now=noon(0))
    for late in (10, 25, 35):
        overdue.take_overdue_steps(today=day(late), now=noon(late), acting_user=clerk)
    monkeypatch.setattr(clock, "today", lambda: day(35))
    monkeypatch.setattr(clock, "now", lambda: noon(36))
    return agreement.household


def keyed(**data: str) -> dict[str, str]:
    return {"request_key": str(uuid.uuid4()), **data}


class TestHousehold:
    def test_shows_what_was_done_and_what_comes(self, owing, client_as):
        page = client_as("specialist").get(f"/households/{owing.pk}/owing/").content.decode()
        for said in ("$26.65", "Friendly mail", "Call list", "Final mail", "Promise to pay"):
            assert said in page

    def test_a_promise_is_noted_and_shown(self, owing, client_as):
        client, given = client_as("specialist"), {"amount": "20", "by_on": "2026-03-20", "promised_by": "Jo", "shown": "26.65"}
        page = client.post(f"/households/{owing.pk}/owing/promise/", keyed(**given), follow=True).content.decode()
        assert "Promise to pay of $20.00" in page and "No step is taken while it runs" in page
        again = client.post(f"/households/{owing.pk}/owing/promise/", keyed(**given))
        assert again.status_code == 422 and "runs already" in again.content.decode()

    def test_a_plan_is_shown_then_noted_and_can_be_withdrawn(self, owing, client_as):
        client, address = client_as("bookkeeper"), f"/households/{owing.pk}/owing/plan/"
        given = keyed(count="2", first_on="2026-03-20", every="month", promised_by="Jo", shown="26.65")
        page = client.post(address, given).content.decode()
        assert "$13.32" in page and "$13.33" in page and "Fri, Mar 20, 2026" in page and not Arrangement.objects.exists()
        mark = re.search(r'name="previewed" value="([^"]+)"', page)[1]
        page = client.post(address, {**given, "previewed": mark}, follow=True).content.decode()
        assert "$13.33 waiting" in page and "$13.32 waiting" in page
        found = Arrangement.objects.get()
        client.post(f"/arrangements/{found.pk}/withdraw/", {"why": "They cannot keep it"})
        found.refresh_from_db()
        assert (found.ending, found.ended_by) == ("withdrawn", client.user)

    def test_too_much_is_refused_in_a_sentence_and_nothing_is_lost(self, owing, client_as):
        given = {"amount": "30", "by_on": "2026-03-20", "promised_by": "Jo Ann", "shown": "26.65"}
        answer = client_as("specialist").post(f"/households/{owing.pk}/owing/promise/", keyed(**given))
        page = answer.content.decode()
        assert answer.status_code == 422 and "more than the $26.65" in page and "Jo Ann" in page

    def test_is_not_for_the_technician(self, owing, client_as):
        assert client_as("technician").get(f"/households/{owing.pk}/owing/").status_code == 403


class TestPlanPreview:
    TERMS = {"count": "4", "first_on": "2026-03-31", "every": "month", "promised_by": "Jo", "shown": "26.65"}

    def test_shows_days_and_amounts_that_add_up_without_noting_anything(self, owing, client_as):
        """26.65 in four: three times 6.66, and 6.67. From March 31: April has 30 days, May 31, June 30."""
        client = client_as("specialist")
        for address in (f"/households/{owing.pk}/owing/plan/", f"/households/{owing.pk}/owing/plan/preview/"):
            page = client.post(address, keyed(**self.TERMS, show="1")).content.decode()
            days = re.findall(r'<td class="nowrap">([^<]+)</td><td class="num">([^<]+)</td>', page)
            assert days == [
                ("Tue, Mar 31, 2026", "$6.66"),
                ("Thu, Apr 30, 2026", "$6.66"),
                ("Sun, May 31, 2026", "$6.66"),
                ("Tue, Jun 30, 2026", "$6.67"),
            ]
            assert 'colspan="2">Together</th><td class="num">$26.65' in page
        assert not Arrangement.objects.exists()

    def test_other_terms_than_were_shown_are_shown_before_they_are_noted(self, owing, client_as):
        client, address = client_as("specialist"), f"/households/{owing.pk}/owing/plan/"
        mark = re.search(r'name="previewed" value="([^"]+)"', client.post(address, keyed(**self.TERMS)).content.decode())[1]
        answer = client.post(address, keyed(**{**self.TERMS, "count": "2"}, previewed=mark))
        assert answer.status_code == 200 and "$13.33" in answer.content.decode() and not Arrangement.objects.exists()
        client.post(address, keyed(**self.TERMS, previewed=mark))
        assert [str(each.amount) for each in Arrangement.objects.get().instalments.all()] == ["6.66", "6.66", "6.66", "6.67"]

    @pytest.mark.parametrize(
        ("wrong", "said"),
        [
            ({"first_on": "2026-03-06"}, "cannot be promised"),
            ({"first_on": "2027-03-06"}, "cannot be promised"),
            ({"count": "1"}, "greater than or equal to 2"),
            ({"count": "25"}, "less than or equal to 24"),
            ({"every": "day"}, "Select a valid choice"),
        ],
    )
    def test_what_is_wrong_is_said_beside_it_and_nothing_typed_is_lost(self, owing, client_as, wrong, said):
        answer = client_as("specialist").post(f"/households/{owing.pk}/owing/plan/", keyed(**{**self.TERMS, **wrong}))
        page = answer.content.decode()
        assert answer.status_code == 422 and said in page and 'value="Jo"' in page and "previewed" not in page

    def test_is_not_for_the_technician(self, owing, client_as):
        assert client_as("technician").post(f"/households/{owing.pk}/owing/plan/preview/", self.TERMS).status_code == 403


class TestCalls:
    def test_one_key_notes_that_nobody_answered(self, owing, client_as):
        client = client_as("specialist")
        page = client.get("/owing/calls/").content.decode()
        assert owing.number in page and 'data-key="n"' in page and "(312) 555-0101" in page
        client.post(f"/owing/calls/{owing.pk}/", {"outcome": "no_answer"})
        assert CallNote.objects.get().called_by == client.user
        assert owing.number not in client.get("/owing/calls/").content.decode()

    def test_who_was_reached_needs_words(self, owing, client_as):
        client = client_as("specialist")
        client.post(f"/owing/calls/{owing.pk}/", {"outcome": "reached"})
        assert not CallNote.objects.exists()
        answer = client.post(f"/households/{owing.pk}/owing/call/", keyed(outcome="reached", spoke_with="", said=""))
        assert answer.status_code == 422 and "Write whom you reached." in answer.content.decode()
        client.post(f"/households/{owing.pk}/owing/call/", keyed(outcome="reached", spoke_with="Jo", said="Pays on Friday"))
        assert "Pays on Friday" in client.get(f"/households/{owing.pk}/owing/").content.decode()


class TestSteps:
    """The manager's table, sent as a browser sends it: with the empty rows at its end."""

    def sent(self, client, press, **changes):
        page = client.get("/owing/steps/")
        rows, form = page.context["rows"], page.context["form"]
        fields = [*rows.management_form, *(field for row in rows for field in row), *form]
        return {field.html_name: "" if field.value() is None else field.value() for field in fields} | {press: "1"} | changes

    def test_shows_what_it_means_and_sets_it(self, owing, client_as):
        client = client_as("manager")
        assert client.post("/owing/steps/", self.sent(client, "show", **{"steps-0-days": "12"})).status_code == 200
        assert StepsVersion.objects.latest("number").number == 1
        answer = client.post("/owing/steps/", self.sent(client, "set", **{"steps-0-days": "12"}), follow=True)
        assert "4 steps are set" in answer.content.decode()
        assert StepsVersion.objects.latest("number").set_by == client.user

    def test_a_row_more_is_a_step_more_and_one_emptied_is_one_less(self, owing, client_as):
        client = client_as("manager")
        more = {"steps-4-what": "recall", "steps-4-days": "60", "steps-4-days_to_answer": "10"}
        assert "5 steps" in client.post("/owing/steps/", self.sent(client, "set", **more), follow=True).content.decode()
        less = {"steps-2-what": "", "steps-2-days": "", "steps-2-days_to_answer": ""}
        assert "4 steps" in client.post("/owing/steps/", self.sent(client, "set", **less), follow=True).content.decode()

    def test_of_two_managers_the_second_is_told_and_loses_nothing(self, owing, client_as):
        first, second = client_as("manager"), client_as("manager")
        mine, theirs = (self.sent(client, "set", **{"steps-0-days": day}) for client, day in ((first, "11"), (second, "12")))
        first.post("/owing/steps/", mine)
        refused = second.post("/owing/steps/", theirs)
        assert refused.status_code == 422
        assert f"{first.user.name} set table 2" in refused.content.decode()
        assert 'name="steps-0-days" value="12"' in refused.content.decode()
        again = theirs | {"shown": str(refused.context["form"]["shown"].value())}
        assert "4 steps are set" in second.post("/owing/steps/", again, follow=True).content.decode()
        assert StepsVersion.objects.latest("number").number == 3

    @pytest.mark.parametrize("field", ["steps-TOTAL_FORMS", "steps-INITIAL_FORMS", "shown", "grace_days"])
    def test_what_nobody_types_is_refused(self, owing, client_as, field):
        client = client_as("manager")
        assert client.post("/owing/steps/", self.sent(client, "set", **{field: "x"})).status_code == 422
