"""The screens of the fleet in the books: what they say, what they refuse and how, and how few questions they ask."""

import re
import uuid
from decimal import Decimal

import pytest
import time_machine
from django.urls import reverse

from billing.fleet import operations, views
from billing.models import FleetAsset, FleetRemoval
from tests.billing.fleet.conftest import APRIL, DAY, LATER, MARCH, NOON, book, buy, depreciate, move

MOST_QUERIES = 17


@pytest.fixture(autouse=True)
def in_june():
    """It is the middle of June 2027."""
    with time_machine.travel("2027-06-15 18:00:00+00:00", tick=False):
        yield


def text(response):
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def typed(**changes):
    return {"life_months": "84", "salvage_percent": "10", "tax_class": "7", "request_key": uuid.uuid4(), **changes}


class TestFleetBooks:
    def test_shows_totals_by_kind_and_that_the_ledger_agrees(self, client_as, bookkeeper, fleet):
        depreciate(bookkeeper, MARCH)
        page = text(client_as("bookkeeper").get(reverse("fleet_books")))
        assert "Flute 2 $700.00 $11.67 $688.33" in page
        assert "1500 Cost $700.00 $700.00 $0.00 Agrees" in page
        assert "1590 Depreciated −$11.67 −$11.67 $0.00 Agrees" in page
        assert "March 2026 Mar 31, 2026" in page

    def test_says_what_waits(self, client_as, bookkeeper, fleet):
        buy("NEW-1", "80.00"), move(fleet[1], "lost")
        page = text(client_as("manager").get(reverse("fleet_books")))
        assert "1 instrument bought for $80.00 is not in the books yet. Book it" in page
        assert "March 2026 and 14 later months are over and not depreciated" in page
        assert "1 instrument sold, lost or retired is still in the books" in page

    def test_begins_empty(self, client_as, db):
        assert "No instruments in the books yet" in text(client_as("bookkeeper").get(reverse("fleet_books")))

    @pytest.mark.parametrize("role", ["specialist", "technician", "administrator"])
    def test_is_not_for(self, client_as, role):
        assert client_as(role).get(reverse("fleet_books")).status_code == 403


class TestBook:
    def test_tells_what_will_be_booked_and_books_it(self, client_as, bookkeeper):
        buy("F-001", "600.00"), buy("F-002", "250.50", on="2026-02-01")
        client = client_as("bookkeeper")
        page = text(client.get(reverse("fleet_book")))
        assert "2 instruments bought from Feb 1, 2026 to Mar 10, 2026, together $850.50" in page
        assert "Caution:" in page
        done = client.post(reverse("fleet_book"), typed(), follow=True)
        assert "2 instruments booked at $850.50" in text(done)
        asset = FleetAsset.objects.get(instrument__asset_tag="F-001")
        assert (asset.life_months, asset.salvage, asset.tax_class) == (84, Decimal("60.00"), 7)

    def test_sent_twice_books_once(self, client_as, bookkeeper):
        buy("F-001")
        client, form = client_as("bookkeeper"), typed()
        first, second = (client.post(reverse("fleet_book"), form) for _ in range(2))
        assert (first.status_code, second.status_code, FleetAsset.objects.count()) == (302, 302, 1)

    @pytest.mark.parametrize(
        ("changes", "sentence"),
        [
            ({"life_months": ""}, "Write the life in months, like 84."),
            ({"life_months": "0"}, "between 1 and 600 months"),
            ({"salvage_percent": "101"}, "between 0 and 100 percent"),
            ({"tax_class": ""}, "Choose the class your tax adviser named."),
        ],
    )
    def test_says_what_is_wrong_and_keeps_what_was_typed(self, client_as, bookkeeper, changes, sentence):
        buy("F-001")
        page = client_as("bookkeeper").post(reverse("fleet_book"), typed(**changes))
        assert (page.status_code, sentence in text(page), FleetAsset.objects.count()) == (422, True, 0)
        kept = changes.get("salvage_percent", "10")
        assert f'value="{kept}"' in page.content.decode()

    def test_begins_with_the_terms_of_the_last_booking(self, client_as, bookkeeper, fleet):
        buy("NEW-1")
        page = client_as("bookkeeper").get(reverse("fleet_book")).content.decode()
        assert 'value="60"' in page
        assert re.search(r'name="tax_class" value="7"[^>]* checked', page)

    def test_says_that_everything_is_booked(self, client_as, bookkeeper, fleet):
        client = client_as("bookkeeper")
        assert "Every instrument of the fleet with a cost is in the books" in text(client.get(reverse("fleet_book")))
        page = client.post(reverse("fleet_book"), typed())
        assert (page.status_code, "There is nothing to book" in text(page)) == (422, True)


class TestDepreciate:
    def test_shows_what_comes_first_and_does_it(self, client_as, bookkeeper, fleet):
        client = client_as("bookkeeper")
        page = text(client.get(reverse("fleet_depreciate")))
        assert "March 2026 comes to $11.67 for 2 instruments" in page
        done = client.post(reverse("fleet_depreciate"), {"through": "2026-05-01"}, follow=True)
        assert "Depreciated through May 2026: $35.01." in text(done)

    def test_offers_a_great_fleet_a_few_months_at_once(self, client_as, bookkeeper, fleet, monkeypatch):
        monkeypatch.setattr(views, "ROWS_AT_ONCE", 7)
        page = client_as("bookkeeper").get(reverse("fleet_depreciate"))
        assert re.findall(r'<option value="([^"]+)"', page.content.decode()) == ["2026-03-01", "2026-04-01", "2026-05-01"]
        assert "12 more months can be depreciated after that" in text(page)

    def test_refuses_a_month_that_is_done_meanwhile(self, client_as, bookkeeper, fleet):
        depreciate(bookkeeper, MARCH)
        page = client_as("bookkeeper").post(reverse("fleet_depreciate"), {"through": "2026-03-01"})
        assert (page.status_code, "done already, or not over yet" in text(page)) == (422, True)

    def test_has_nothing_to_do_when_all_is_done(self, client_as, bookkeeper, fleet):
        operations.depreciate_through(month=LATER.replace(month=5, day=1), acting_user=bookkeeper, now=NOON, today=LATER)
        assert "can be depreciated when it is over" in text(client_as("bookkeeper").get(reverse("fleet_depreciate")))

    def test_asks_to_book_first(self, client_as, db):
        assert "Book what was bought" in text(client_as("bookkeeper").get(reverse("fleet_depreciate")))


class TestAssets:
    def test_lists_and_narrows(self, client_as, bookkeeper, fleet):
        client = client_as("bookkeeper")
        assert "F-001 Flute Sample Works F1 Mar 10, 2026 $600.00 $0.00 $600.00" in text(client.get(reverse("fleet_assets")))
        page = text(client.get(reverse("fleet_assets"), {"text": "002", "sort": "-cost"}))
        assert "F-002" in page
        assert "F-001" not in page
        assert "No instruments match this" in text(client.get(reverse("fleet_assets"), {"kind": "oboe"}))

    def test_gives_the_list_as_csv(self, client_as, bookkeeper, fleet):
        depreciate(bookkeeper, MARCH)
        answer = client_as("bookkeeper").get(reverse("fleet_assets_csv"))
        rows = b"".join(answer.streaming_content).decode().splitlines()
        assert rows[1] == "F-001,Flute,Sample Works F1,2026-03-10,600.00,0.00,60,10.00,590.00,7"


class TestAsset:
    def test_shows_both_schedules_side_by_side(self, client_as, bookkeeper, fleet):
        depreciate(bookkeeper, MARCH)
        asset = FleetAsset.objects.get(instrument=fleet[0])
        page = text(client_as("bookkeeper").get(reverse("fleet_asset", args=[asset.pk])))
        # 2026: ten months of 10.00; 14.29% of 600.00.
        assert "2026 $100.00 $500.00 14.29% $85.74 $514.26" in page
        assert "2033 $0.00 $0.00 4.46% $26.76 $0.00" in page
        assert "IRS Publication 946, Table A-1" in page
        assert "March 2026 Mar 31, 2026 1 $10.00 $10.00" in page

    def test_takes_out_what_is_gone_and_puts_back_what_was_found(self, client_as, bookkeeper, fleet):
        asset = FleetAsset.objects.get(instrument=fleet[0])
        client, address = client_as("bookkeeper"), reverse("fleet_asset", args=[asset.pk])
        assert client.post(reverse("fleet_take_out", args=[asset.pk])).status_code == 404
        move(fleet[0], "lost")
        assert "Take F-001 out of the books?" in text(client.get(address))
        page = client.post(reverse("fleet_take_out", args=[asset.pk]), follow=True)
        assert "F-001 is out of the books." in text(page)
        assert FleetRemoval.objects.get().entry.postings.filter(account_id="5200").exists()
        move(fleet[0], "retired")
        assert client.post(reverse("fleet_put_back", args=[asset.pk])).status_code == 404
        buy_back(fleet[0])
        assert "Put F-001 back into the books?" in text(client.get(address))
        page = client.post(reverse("fleet_put_back", args=[asset.pk]), follow=True)
        assert "F-001 stands in the books again." in text(page)


def buy_back(instrument):
    """It is on the shelf again."""
    location = instrument.custodies.exclude(location=None).first().location
    open_one = instrument.custodies.get(ended_at=None)
    open_one.ended_at = NOON
    open_one.save(update_fields=["ended_at"])
    instrument.custodies.create(place="shelf", location=location, began_at=NOON, reason="Found", moved_by=open_one.moved_by)


class TestEveryScreen:
    def test_asks_few_questions_whatever_the_data(self, client_as, bookkeeper, django_assert_max_num_queries):
        for n in range(30):
            buy(f"M-{n:03}", "100.00", on=DAY)
        book(bookkeeper)
        depreciate(bookkeeper, MARCH), depreciate(bookkeeper, APRIL)
        client, pk = client_as("manager"), FleetAsset.objects.first().pk
        addresses = [reverse(name) for name in ("fleet_books", "fleet_book", "fleet_depreciate", "fleet_assets")]
        for address in [*addresses, reverse("fleet_asset", args=[pk])]:
            with django_assert_max_num_queries(MOST_QUERIES):
                assert client.get(address).status_code == 200, address
