"""The call list narrowed and sorted by its address, with notes and counts; whom it has at all is in test_calls."""

from decimal import Decimal

import pytest
from django.urls import reverse

from billing import charges, overdue
from billing.collecting import call_list, calls
from billing.collecting.calls import Call
from rentals.counter.today import COUNTS
from rentals.runtime import clock
from schools.models import Programme, School
from tests.billing.collecting.test_arrangements import day, noon, promise
from tests.billing.factories import AgreementFactory, GuardianFactory
from tests.factories import BookkeeperFactory

TODAY = 60


class Office:
    """Four families at the call: one left alone, one with a broken promise, one called twice, one that owes more at a school."""

    def __init__(self) -> None:
        self.clerk = BookkeeperFactory(name="Bea")
        self.school = Programme.objects.create(school=School.objects.create(name="North School"), kind="band")
        self.alone, self.broken, self.called = (self.late(name) for name in ("Alone", "Broken", "Called"))
        self.more = self.late("More", periods=2, student__programme=self.school)
        self.steps_through(35)
        promise(self.broken, self.clerk, by=42, at=37)
        self.call(self.called, 36, "message", said="Asked to call back")
        self.call(self.called, 50, "reached", spoke_with="Jo", said="Pays after the first", next_call_on=day(58))
        self.call(self.more, 50, "no_answer")

    def late(self, name: str, *, periods: int = 1, **more):
        agreement = AgreementFactory(household__name=name, **more)
        GuardianFactory(household=agreement.household, is_primary=True, phone="+13125550101")
        for period in range(periods):
            charges.charge_period(agreement=agreement, period=period, acting_user=self.clerk, now=noon(0))
        return agreement.household

    def steps_through(self, last: int) -> None:
        for late in (10, 25, last):
            overdue.take_overdue_steps(today=day(late), now=noon(late), acting_user=self.clerk)

    def call(self, household, at: int, outcome: str, **more) -> None:
        calls.note_call(household=household, call=Call(outcome, **more), acting_user=self.clerk, now=noon(at))


@pytest.fixture
def office(db, monkeypatch):
    made = Office()
    monkeypatch.setattr(clock, "today", lambda: day(TODAY))
    monkeypatch.setattr(clock, "now", lambda: noon(TODAY))
    return made


def listed(client, query: str = "") -> list[str]:
    return [row.name for row in client.get(reverse("call_list") + query).context["page"]]


class TestCallList:
    def test_says_what_was_done_and_counts_what_waits(self, office, client_as):
        answer = client_as("specialist").get(reverse("call_list"))
        page = answer.content.decode()
        for said in ("Promise broken", "Pays after the first", "call 2", "Call list", "(312) 555-0101", "Bea"):
            assert said in page
        counted = {tile["label"]: tile["value"] for tile in answer.context["tiles"]}
        assert counted == {"To call": 4, "Promise broken": 1, "Not called yet": 2, "Waiting since before today": 4}
        assert answer.context["total"] == Decimal("133.25")

    @pytest.mark.parametrize(
        ("query", "names"),
        [
            ("", ["Alone", "Broken", "More", "Called"]),
            ("?promise=broken", ["Broken"]),
            ("?called=never", ["Alone", "Broken"]),
            ("?called=7", ["Alone", "Broken", "More", "Called"]),
            ("?called=14", ["Alone", "Broken"]),
            ("?least=50", ["More"]),
            ("?least=$53.30", ["More"]),
            ("?least=53.31", []),
            ("?step=call", ["Alone", "Broken", "More", "Called"]),
            ("?step=mail-1", []),
            ("?sort=-amount", ["More", "Alone", "Broken", "Called"]),
            ("?sort=amount", ["Alone", "Broken", "Called", "More"]),
            ("?sort=-name", ["More", "Called", "Broken", "Alone"]),
            ("?step=nothing", []),
            ("?least=NaN&called=9&school=1e9&sort=--name&page=x&promise=yes", ["Alone", "Broken", "More", "Called"]),
        ],
    )
    def test_is_narrowed_and_sorted_by_the_address(self, office, client_as, query, names):
        assert listed(client_as("specialist"), query) == names

    def test_is_narrowed_to_a_school(self, office, client_as):
        assert listed(client_as("specialist"), f"?school={office.school.school_id}") == ["More"]

    def test_a_broken_promise_counts_whether_or_not_the_night_wrote_it_down(self, office, client_as):
        office.steps_through(TODAY)
        assert listed(client_as("specialist"), "?promise=broken") == ["Broken"]

    def test_a_note_leads_back_to_the_list_as_it_was_narrowed(self, office, client_as):
        client = client_as("specialist")
        query = "?called=never&sort=-name"
        page = client.get(reverse("call_list") + query).content.decode()
        action = reverse("call_outcome", args=[office.alone.pk]) + "?called=never&amp;sort=-name"
        assert action in page
        answer = client.post(action.replace("&amp;", "&"), {"outcome": "no_answer"})
        assert answer.url == reverse("call_list") + query
        assert listed(client, query) == ["Broken"]

    def test_who_was_only_called_in_an_earlier_episode_was_not_called_in_this(self, office):
        rows = {each.name: each for each in call_list.list_calls(today=day(TODAY))}
        assert (rows["Called"].calls, rows["More"].calls, rows["Alone"].calls) == (2, 1, 0)
        assert rows["Called"].days_since_call(day(TODAY)) == 10

    def test_the_first_page_counts_them(self, office):
        assert COUNTS["call_list"](day(TODAY)) == 4 == len(call_list.list_calls(today=day(TODAY)))

    def test_asks_few_questions_whatever_the_data(self, office, client_as, django_assert_max_num_queries):
        for n in range(6):
            household = office.late(f"Another {n}", student__programme=office.school)
            office.call(household, 40, "message")
            promise(household, office.clerk, by=45, at=41)
        client = client_as("specialist")
        with django_assert_max_num_queries(12):
            assert len(listed(client, f"?school={office.school.school_id}&sort=-amount")) == 7
