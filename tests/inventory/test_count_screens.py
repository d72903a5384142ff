"""The screens of stock counts as a client sees them: what is shown, refused and kept, and what a device may send."""

import csv
import json
from uuid import uuid4

import pytest
from django.urls import reverse

from rentals.inventory.models import CountScan, CountSettlement, StockCount
from rentals.inventory.operations import counts
from rentals.inventory.queries.counts import reconcile
from tests.factories import ManagerFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.count_cases import minutes, opened, scan
from tests.inventory.factories import InstrumentFactory, LocationFactory

pytestmark = pytest.mark.django_db


def send(client, count, *codes, ids=None, **more):
    rows = [
        {"id": str(key), "code": code, "seconds_ago": 0} for key, code in zip(ids or [uuid4() for _ in codes], codes, strict=True)
    ]
    body = json.dumps({"device": "shelf-1", "scans": rows} | more)
    return client.post(reverse("count_scans", args=[count.pk]), body, content_type="application/json")


def page(client, name, count, query=""):
    return client.get(reverse(name, args=[count.pk]) + query).content.decode()


class TestStart:
    def start(self, client, **more):
        return client.post(reverse("stock_count_start"), {"location": "main", "request_key": str(uuid4())} | more)

    def test_opens_a_count_and_goes_to_its_scan_page(self, client_as):
        LocationFactory()
        response = self.start(client_as("specialist"), note="After the summer")
        count = StockCount.objects.get()
        assert response["Location"] == reverse("stock_count", args=[count.pk])
        assert count.note == "After the summer"

    def test_says_who_is_counting_already_and_offers_to_join(self, client_as):
        count = opened()
        response = self.start(client_as("technician"))
        words = response.content.decode()
        assert response.status_code == 409
        assert "is being counted already" in words
        assert reverse("stock_count", args=[count.pk]) in words

    def test_asks_for_the_shop(self, client_as):
        assert "Choose an answer for “Shop”" in self.start(client_as("technician"), location="").content.decode()


class TestScans:
    def test_tells_a_verdict_for_each(self, client_as):
        InstrumentFactory(asset_tag="FL-1")
        count = opened()
        answer = send(client_as("technician"), count, "FL-1", "NO-SUCH").json()
        assert [each["verdict"] for each in answer["told"]] == ["ok", "unknown"]
        assert (answer["scanned"], answer["aside"]) == (2, 1)

    def test_the_same_ids_again_are_the_same_scans(self, client_as):
        InstrumentFactory(asset_tag="FL-1")
        count, client, keys = opened(), client_as("technician"), [uuid4()]
        assert send(client, count, "FL-1", ids=keys).json() == send(client, count, "FL-1", ids=keys).json()

    @pytest.mark.parametrize(
        "body",
        [
            " ",
            "[]",
            "{}",
            '{"scans": 3}',
            '{"scans": [{"id": "x", "code": "FL-1"}]}',
            '{"scans": [{"code": "FL-1"}]}',
            '{"scans": [{"id": "00000000-0000-4000-8000-000000000001", "code": "FL-1", "seconds_ago": "NaN"}]}',
            '{"scans": [{"id": "00000000-0000-4000-8000-000000000001", "code": "FL-1", "seconds_ago": -1}]}',
        ],
    )
    def test_what_is_no_list_of_scans_is_refused_in_words(self, client_as, body):
        url = reverse("count_scans", args=[opened().pk])
        response = client_as("technician").post(url, body, content_type="application/json")
        assert response.status_code == 400
        assert len(response.json()["error"]) > 20
        assert CountScan.objects.count() == 0

    @pytest.mark.parametrize("code", ["\x00", "x" * 10_000, "<img src=x>", "' OR 1=1 --", "💥"])
    def test_any_code_at_all_is_at_worst_unknown(self, client_as, code):
        assert send(client_as("technician"), opened(), code).json()["told"][0]["verdict"] == "unknown"

    def test_a_closed_count_says_so(self, client_as):
        count = opened()
        counts.close_count(count=count, acting_user=ManagerFactory(), now=minutes(1))
        response = send(client_as("technician"), count, "FL-1")
        assert response.status_code == 409
        assert "open a new count" in response.json()["error"]

    def test_typed_without_the_script_it_is_told_on_the_page(self, client_as):
        InstrumentFactory(asset_tag="FL-1")
        count, client = opened(), client_as("technician")
        url, data = reverse("count_scans", args=[count.pk]), {"id": str(uuid4()), "code": "fl-1"}
        assert "FL-1: Counted." in client.post(url, data, follow=True).content.decode()
        assert "Counted before" not in client.post(url, data, follow=True).content.decode()
        assert "Scan a label, or type a tag" in client.post(url, data | {"code": " "}, follow=True).content.decode()

    def test_a_scan_is_taken_back(self, client_as):
        InstrumentFactory(asset_tag="FL-1")
        count, client, key = opened(), client_as("technician"), uuid4()
        send(client, count, "FL-1", ids=[key])
        client.post(reverse("count_scan_undo", args=[count.pk]), {"id": str(key)})
        assert CountScan.objects.get().undone_by == client.user

    def test_a_scan_of_another_count_is_not_taken_back(self, client_as):
        InstrumentFactory(asset_tag="FL-1")
        count, other, key = opened(), opened("north"), uuid4()
        client = client_as("technician")
        send(client, count, "FL-1", ids=[key])
        response = client.post(
            reverse("count_scan_undo", args=[other.pk]), {"id": str(key)}, headers={"Accept": "application/json"}
        )
        assert response.status_code == 404
        assert CountScan.objects.get().undone_at is None


class TestReview:
    def pick(self, count):
        return [each.key for each in reconcile(count).open_differences]

    def test_shows_what_is_missing_where_and_by_whom_it_was_last_seen(self, client_as):
        InstrumentFactory(asset_tag="FL-1")
        words = page(client_as("specialist"), "stock_count_review", opened())
        assert "FL-1" in words
        assert "Received, by" in words
        assert "A technician or the manager settles these." in words
        assert "Settle them" not in words

    def test_a_technician_settles_in_ticks(self, client_as):
        unit, count = InstrumentFactory(asset_tag="FL-1"), opened()
        url = reverse("stock_count_settle", args=[count.pk]) + "?show=missing"
        data = {"pick": self.pick(count), "how": "lost", "reason": "Looked twice"}
        words = client_as("technician").post(url, data, follow=True).content.decode()
        assert "FL-1 settled: mark as lost." in words
        assert unit.custodies.get(ended_at=None).place == "lost"

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ({"pick": []}, "Tick at least one line"),
            ({"reason": ""}, "Fill in “Why”"),
            ({"how": "moved_there"}, "Choose the shop where they were found"),
        ],
    )
    def test_what_is_left_out_is_asked_for_and_the_ticks_stay(self, client_as, change, words):
        InstrumentFactory(asset_tag="FL-1")
        count = opened()
        picks = self.pick(count)
        url = reverse("stock_count_settle", args=[count.pk]) + "?show=missing"
        data = {"pick": picks, "how": "lost", "reason": "Looked twice"} | change
        response = client_as("technician").post(url, data)
        assert response.status_code == 422
        assert words in response.content.decode()
        assert (f'value="{picks[0]}" checked' in response.content.decode()) == bool(data["pick"])
        assert CountSettlement.objects.count() == 0

    def test_a_specialist_settles_and_closes_nothing(self, client_as):
        count, client = opened(), client_as("specialist")
        for name in ("stock_count_settle", "stock_count_close", "stock_count_call_off"):
            assert client.post(reverse(name, args=[count.pk])).status_code == 403

    def test_names_no_family_to_a_technician(self, client_as):
        InstrumentFactory(asset_tag="FL-1", place="family", place__household=HouseholdFactory(name="The Quill family"))
        count = opened()
        scan(count, "FL-1")
        assert "Quill" not in page(client_as("technician"), "stock_count_review", count)
        assert "Quill" in page(client_as("specialist"), "stock_count_review", count)

    def test_closing_asks_why_the_rest_is_left(self, client_as):
        InstrumentFactory(asset_tag="FL-1")
        count, client = opened(), client_as("technician")
        response = client.post(reverse("stock_count_close", args=[count.pk]), {"leave_rest": ""})
        assert response.status_code == 422
        assert "1 difference waits for a decision." in response.content.decode()
        client.post(reverse("stock_count_close", args=[count.pk]), {"leave_rest": "Known to be at the workshop"})
        count.refresh_from_db()
        assert (count.outcome, count.missing) == ("settled", 1)
        assert "Known to be at the workshop" in page(client, "stock_count_review", count)
        again = client.post(reverse("stock_count_close", args=[count.pk]), {"leave_rest": "x"}, follow=True)
        assert "This count was closed by" in again.content.decode()

    def test_the_file_has_a_line_for_everything(self, client_as):
        for number in (1, 2, 3):
            InstrumentFactory(asset_tag=f"FL-{number}")
        count = opened()
        scan(count, "FL-1", "=NO-SUCH")
        client = client_as("technician")
        lost = [key for key in self.pick(count) if key.startswith("missing")][:1]
        data = {"pick": lost, "how": "lost", "reason": "Gone"}
        client.post(reverse("stock_count_settle", args=[count.pk]), data)
        text = b"".join(client.get(reverse("stock_count_csv", args=[count.pk])).streaming_content).decode("utf-8-sig")
        rows = {row["Code"]: row for row in csv.DictReader(text.splitlines())}
        assert {code: row["Result"] for code, row in rows.items()} == {
            "FL-1": "Found",
            "FL-2": "Not seen",
            "FL-3": "Not seen",
            "'=NO-SUCH": "Unknown code",
        }
        assert rows["FL-2"]["Settled as"] == "Marked as lost"


class TestCostOfScreens:
    """At most twelve queries each, however much there is."""

    def test_list(self, client_as, django_assert_max_num_queries):
        for code in ("main", "north", "south"):
            scan(opened(code), "NO-1")
        client = client_as("technician")
        with django_assert_max_num_queries(12):
            client.get(reverse("stock_counts"))

    def test_scan_page_and_review(self, client_as, django_assert_max_num_queries):
        count = opened()
        tags = [InstrumentFactory().asset_tag for _ in range(8)]
        scan(count, *tags[:4], "NO-1", "NO-2")
        client = client_as("technician")
        with django_assert_max_num_queries(12):
            client.get(reverse("stock_count", args=[count.pk]))
        with django_assert_max_num_queries(12):
            client.get(reverse("stock_count_review", args=[count.pk]))

    def test_scans_cost_the_same_however_many(self, client_as, django_assert_max_num_queries):
        count = opened()
        tags = [InstrumentFactory().asset_tag for _ in range(40)]
        client = client_as("technician")
        with django_assert_max_num_queries(22):
            send(client, count, *tags)


class TestList:
    def test_a_count_forgotten_open_is_marked(self, client_as):
        opened()
        assert "Open since days" in client_as("technician").get(reverse("stock_counts")).content.decode()

    def test_says_what_to_do_where_there_is_none(self, client_as):
        client = client_as("technician")
        assert "Start one at a shop" in client.get(reverse("stock_counts")).content.decode()
        assert "Clear filters" in client.get(reverse("stock_counts"), {"state": "open"}).content.decode()


class TestMissingOnTheScreens:
    @pytest.fixture
    def unit(self):
        unit, other = InstrumentFactory(asset_tag="FL-1"), InstrumentFactory(asset_tag="FL-2")
        count = opened()
        scan(count, other.asset_tag)
        counts.close_count(count=count, acting_user=ManagerFactory(), now=minutes(9), leave_rest="Looked everywhere")
        return unit

    def test_its_page_says_since_when(self, client_as, unit):
        words = client_as("technician").get(reverse("instrument", args=[unit.pk])).content.decode()
        assert "Missing since Nov 24, 2026." in words
        assert "Looked everywhere" in words

    def test_the_list_says_so_and_narrows_to_them(self, client_as, unit):
        client = client_as("technician")
        assert "since Nov 24, 2026" in client.get(reverse("instruments")).content.decode()
        narrowed = client.get(reverse("instruments"), {"seen": "missing"}).content.decode()
        assert "FL-1" in narrowed
        assert "FL-2" not in narrowed
