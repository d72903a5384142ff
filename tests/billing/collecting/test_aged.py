"""What families owe by age: every grouping adds up to the control account; screen, address and CSV agree.

Buckets of 30 days counted from the due date: common practice, no source.
"""

import csv
import datetime
import io
from decimal import Decimal
from urllib.parse import parse_qs, urlsplit

import pytest
from django.urls import reverse

from billing import charges, chart, credits, payments
from billing.collecting import aged
from billing.collecting.aged import ANY, NONE, By, Wanted
from billing.models import Account, Posting
from rentals.families.models import Student
from rentals.runtime import clock
from schools.models import Programme, School
from tests.billing.factories import AgreementFactory, HouseholdFactory, StudentFactory
from tests.factories import BookkeeperFactory, SpecialistFactory

D = Decimal
TODAY = datetime.date(2026, 5, 15)
NOW = datetime.datetime(2026, 5, 15, 18, tzinfo=datetime.UTC)


def programme(name: str) -> Programme:
    return Programme.objects.create(school=School.objects.create(name=name), kind="band")


def ledger(on: datetime.date | None = None) -> Decimal:
    """The control account, read from the postings alone."""
    rows = Posting.objects.filter(account=chart.RECEIVABLES)
    return sum((p.amount for p in (rows.filter(entry__entry_on__lte=on) if on else rows)), D("0.00"))


class Shop:
    """Three families at two schools and one at none, two specialists, a fee of no agreement, money on account.

    A period is 20.00 rent, 1.65 tax, 5.00 protection: 26.65, due on January 31, February 28, March 31, April 30.
    """

    def __init__(self) -> None:
        self.clerk = BookkeeperFactory()
        self.rosa, self.sam = SpecialistFactory(name="Rosa"), SpecialistFactory(name="Sam")
        self.north, self.south = programme("North School"), programme("South School")
        # Two children at two schools, signed up by two specialists: two months and one month owed.
        self.two = AgreementFactory(household__name="Two", student__programme=self.north, signed_by=self.rosa)
        other = StudentFactory(household=self.two.household, programme=self.south)
        second = AgreementFactory(household=self.two.household, student=other, signed_by=self.sam)
        self.bill(self.two, 2)
        self.bill(second, 1)
        # At the second school, all paid but 6.65 of the last month.
        self.part = AgreementFactory(household__name="Part", student__programme=self.south, signed_by=self.rosa)
        self.bill(self.part, 4)
        self.pay(self.part.household, "99.95")
        # At no school, with a fee besides.
        self.none = AgreementFactory(household__name="Alone", signed_by=self.sam)
        self.bill(self.none, 1)
        charges.charge_fee(
            household=self.none.household, on=TODAY, description="Fee", amount=D("7.00"), acting_user=self.clerk, now=NOW
        )
        # Paid ahead, and a family that never signed anything.
        self.ahead = AgreementFactory(household__name="Ahead", student__programme=self.north, signed_by=self.rosa)
        self.pay(self.ahead.household, "15.00")
        self.stranger = HouseholdFactory(name="Stranger")
        self.pay(self.stranger, "4.00")

    def bill(self, agreement, periods: int) -> None:
        for period in range(periods):
            charges.charge_period(agreement=agreement, period=period, acting_user=self.clerk, now=NOW)

    def pay(self, household, amount: str, on: datetime.date = TODAY) -> None:
        payments.record_payment(
            household=household, method="cash", amount=D(amount), received_on=on, acting_user=self.clerk, now=NOW
        )


@pytest.fixture
def shop(db, monkeypatch):
    monkeypatch.setattr(clock, "today", lambda: TODAY)
    monkeypatch.setattr(clock, "now", lambda: NOW)
    return Shop()


def listed(by: str, **more) -> aged.Aging:
    return aged.list_aged(Wanted(on=more.pop("on", TODAY), by=By(by), only_late=False, **more), today=TODAY)


def table(found: aged.Aging) -> list[str]:
    """Each row as a bookkeeper reads it: families, 1 to 30, 31 to 60, 61 to 90, more, not due, on account, balance."""
    rows = [*sorted(found.rows, key=lambda row: row.name), found.total]
    shown = ("families", "to_30", "to_60", "to_90", "older", "not_due", "on_account", "balance")
    return [" ".join([row.name or "All", *(str(getattr(row, name)) for name in shown)]) for row in rows]


class TestListAged:
    def test_by_school_has_every_cent_once(self, shop):
        """Due on January 31 is 104 days ago, February 28 is 76, April 30 is 15; the fee is due today, thus not past due."""
        assert table(listed("school")) == [
            "No school 2 0.00 0.00 0.00 26.65 7.00 4.00 29.65",
            "North School 2 0.00 0.00 26.65 26.65 0.00 15.00 38.30",
            "South School 2 6.65 0.00 0.00 26.65 0.00 0.00 33.30",
            "All 5 6.65 0.00 26.65 79.95 7.00 19.00 101.25",
        ]

    def test_by_specialist_has_every_cent_once(self, shop):
        assert table(listed("specialist")) == [
            "No agreement 1 0.00 0.00 0.00 0.00 0.00 4.00 -4.00",
            "Rosa 3 6.65 0.00 26.65 26.65 0.00 15.00 44.95",
            "Sam 2 0.00 0.00 0.00 53.30 7.00 0.00 60.30",
            "All 5 6.65 0.00 26.65 79.95 7.00 19.00 101.25",
        ]

    @pytest.mark.parametrize("by", list(By))
    @pytest.mark.parametrize(
        "on", ["2026-01-30", "2026-01-31", "2026-03-01", "2026-04-30", "2026-05-14", "2026-05-15", "2026-06-30"]
    )
    def test_equals_the_control_account_to_the_cent(self, shop, by, on):
        day = datetime.date.fromisoformat(on)
        found = listed(by, on=day)
        control = ledger(day if day < TODAY else None)
        assert sum((row.balance for row in found.rows), D("0.00")) == found.total.balance == control
        assert (found.tie.report, found.tie.ledger, found.tie.difference) == (control, control, 0)

    def test_a_difference_from_the_ledger_is_told(self, shop, monkeypatch):
        """The tie compares; it does not repeat one figure."""
        monkeypatch.setattr(aged, "_on_account", lambda today: {"in_credit": [], "credits": []})
        assert listed("school").tie.difference == D("19.00")

    def test_an_earlier_day_knows_nothing_of_what_came_later(self, shop):
        """On March 1 two families owed for January and February, and nobody had paid."""
        household = shop.two.household
        payments.record_payment(
            household=household, method="cash", amount=D("26.65"), received_on=TODAY, acting_user=shop.clerk, now=NOW
        )
        then = {row.name: row for row in listed("family", on=datetime.date(2026, 3, 1)).rows}
        assert (then["Two"].to_30, then["Two"].past_due, then["Two"].since) == (
            D("79.95"),
            D("79.95"),
            datetime.date(2026, 1, 31),
        )
        now = {row.name: row for row in listed("family").rows}
        assert now["Two"].past_due == D("53.30")

    def test_an_earlier_day_sets_payments_against_the_oldest_and_forgets_later_voids(self, shop):
        day = TODAY - datetime.timedelta(days=1)
        note = credits.write_credit_note(
            household=shop.two.household, agreement=None, kind="adjustment", amount=D("30.00"), reason="Late", on=day,
            acting_user=shop.clerk, now=NOW,
        )  # fmt: skip
        credits.void_credit_note(credit_note=note, reason="Wrong family", acting_user=shop.clerk, now=NOW)
        then = next(row for row in listed("family", on=day).rows if row.name == "Two")
        # 79.95 less 30.00: of the two charges of January 23.30 is left, of February all.
        assert (then.older, then.to_90, then.balance) == (D("23.30"), D("26.65"), D("49.95"))
        assert next(row for row in listed("family").rows if row.name == "Two").balance == D("79.95")

    def test_follows_the_student_to_another_school(self, shop):
        Student.objects.filter(pk=shop.none.student_id).update(programme=shop.south)
        assert table(listed("school"))[2] == "South School 3 6.65 0.00 0.00 53.30 7.00 0.00 66.95"

    @pytest.mark.parametrize(
        ("narrowed", "families"),
        [
            ({"school": NONE}, ["Alone", "Stranger"]),
            ({"specialist": NONE}, ["Stranger"]),
            ({"text": "pART"}, ["Part"]),
            ({"only_late": True}, ["Alone", "Part", "Two"]),
            ({"school": ANY, "sort": "-past_due", "only_late": True}, ["Two", "Alone", "Part"]),
        ],
    )
    def test_is_narrowed_and_still_says_what_the_whole_is(self, shop, narrowed, families):
        found = aged.list_aged(Wanted(**{"on": TODAY, "only_late": False, "sort": "name", **narrowed}), today=TODAY)
        assert [row.name for row in found.rows] == families
        assert found.total.families == len(families) and found.tie.ledger == ledger()

    def test_a_groups_families_add_up_to_its_row(self, shop):
        south = next(row for row in listed("school").rows if row.name == "South School")
        inside = listed("family", school=shop.south.school_id)
        assert (len(inside.rows), inside.total.balance, inside.total.older) == (south.families, south.balance, south.older)

    def test_ties_in_the_order_go_by_name(self, shop):
        assert [row.name for row in listed("school", sort="families").rows] == ["No school", "North School", "South School"]
        assert [row.name for row in listed("school", sort="-families").rows] == ["No school", "North School", "South School"]


@pytest.mark.parametrize("today", [datetime.date(2026, 1, 31), datetime.date(2026, 12, 31)])
@pytest.mark.parametrize(
    ("days", "bucket"),
    [
        *((0, "not_due"), (1, "to_30"), (30, "to_30"), (31, "to_60"), (60, "to_60")),
        *((61, "to_90"), (90, "to_90"), (91, "older"), (400, "older")),
    ],
)
def test_a_bucket_begins_on_its_day(db, days, bucket, today):
    """26.65 due on January 31, looked at so many days later: of a day ahead, or of one gone by."""
    agreement, due_on = AgreementFactory(), datetime.date(2026, 1, 31)
    now = datetime.datetime(2026, 1, 31, 18, tzinfo=datetime.UTC)
    charges.charge_period(agreement=agreement, period=0, acting_user=BookkeeperFactory(), now=now)
    found = aged.list_aged(Wanted(on=due_on + datetime.timedelta(days=days), only_late=False), today=today)
    assert getattr(found.total, bucket) == found.total.balance == D("26.65")


def shown(answer) -> list[str]:
    """The first column of the page's table."""
    body = answer.content.decode().partition("<tbody>")[2].partition("</tbody>")[0]
    return [row.partition("<a ")[2].partition(">")[2].partition("<")[0] for row in body.split('<th scope="row">')[1:]]


def rows_of(answer) -> list[list[str]]:
    text = b"".join(answer.streaming_content).decode().removeprefix("\ufeff")
    return list(csv.reader(io.StringIO(text)))


class TestScreen:
    def test_says_that_it_agrees_and_how_an_amount_is_attributed(self, shop, client_as):
        page = client_as("bookkeeper").get(reverse("aging"), {"by": "school", "who": "all"}).content.decode()
        assert "Agrees" in page and "$101.25 and $101.25" in page
        assert "where the student of its agreement plays now" in page

    @pytest.mark.parametrize(
        "query",
        ["", "by=school", "by=school&who=all&sort=-name", "by=specialist&sort=families", "who=all&sort=-balance", "text=t"],
    )
    def test_the_file_has_the_rows_of_the_screen_in_its_order(self, shop, client_as, query):
        client = client_as("bookkeeper")
        page = client.get(f"{reverse('aging')}?{query}")
        rows = rows_of(client.get(f"{reverse('aging_csv')}?{query}"))
        place = 1 if "by=" not in query else 0
        assert [row[place] for row in rows[1:]] == shown(page) != []

    def test_the_file_has_all_pages(self, shop, client_as, monkeypatch):
        monkeypatch.setattr("billing.collecting.views.aging.PAGE_SIZE", 2)
        client = client_as("bookkeeper")
        pages = [shown(client.get(reverse("aging"), {"page": n})) for n in (1, 2)]
        assert [len(page) for page in pages] == [2, 1]
        assert [row[1] for row in rows_of(client.get(reverse("aging_csv"), {"page": 2}))[1:]] == [*pages[0], *pages[1]]

    def test_the_file_guards_against_formulas_and_keeps_amounts(self, shop, client_as):
        shop.north.school.name = "=HYPERLINK(1)"
        shop.north.school.save()
        rows = rows_of(client_as("bookkeeper").get(reverse("aging_csv"), {"by": "specialist", "who": "all", "sort": "name"}))
        assert rows[1] == ["No agreement", "1", "", "0.00", "0.00", "0.00", "0.00", "0.00", "0.00", "4.00", "-4.00"]
        names = [row[0] for row in rows_of(client_as("bookkeeper").get(reverse("aging_csv"), {"by": "school"}))]
        assert "'=HYPERLINK(1)" in names

    def test_a_row_leads_to_its_families(self, shop, client_as):
        client = client_as("manager")
        page = client.get(reverse("aging"), {"by": "school", "who": "all", "on": "2026-05-15", "sort": "-name"})
        link = page.context["rows"][0][1]
        assert parse_qs(urlsplit(link).query) == {
            "by": ["family"], "who": ["all"], "on": ["2026-05-15"], "school": [str(shop.south.school_id)],
        }  # fmt: skip
        assert shown(client.get(link)) == ["Two", "Part"]
        none = next(link for row, link, _ in page.context["rows"] if row.key is None)
        assert shown(client.get(none)) == ["Alone", "Stranger"]

    def test_the_address_is_all_there_is(self, shop, client_as):
        """Another person sees the same rows by the same link; what an address does not mean is left aside."""
        address = reverse("aging") + "?by=specialist&who=all&sort=-balance&on=2026-05-15"
        assert (
            shown(client_as("bookkeeper").get(address))
            == shown(client_as("manager").get(address))
            == ["Sam", "Rosa", "No agreement"]
        )
        odd = client_as("bookkeeper").get(reverse("aging") + "?by=x&sort=rm&on=soon&school=1e9&specialist=-4&page=zz")
        assert odd.status_code == 200 and shown(odd) == ["Alone", "Two", "Part"]

    @pytest.mark.parametrize("query", ["", "by=school&who=all", "by=specialist&on=2026-03-01", "text=nobody"])
    def test_asks_few_questions_whatever_the_data(self, shop, client_as, query, django_assert_max_num_queries):
        client = client_as("bookkeeper")
        for _ in range(4):
            shop.bill(AgreementFactory(student__programme=programme(f"School {School.objects.count()}")), 1)
        with django_assert_max_num_queries(12):
            assert client.get(f"{reverse('aging')}?{query}").status_code == 200

    def test_is_not_for_the_specialist(self, shop, client_as):
        client = client_as("specialist")
        assert {client.get(reverse(name)).status_code for name in ("aging", "aging_csv")} == {403}

    def test_the_control_account_is_1200(self, shop):
        assert Account.objects.get(is_receivable=True).code == chart.RECEIVABLES
