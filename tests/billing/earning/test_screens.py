"""The screens of what the fleet earns: what they say, whom they let in, and how few questions they ask."""

import datetime
import re
from decimal import Decimal

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from rentals.inventory import operations
from rentals.inventory.models import WorkLine, WorkOrder
from tests.billing.earning.conftest import NOW, at, bill, instrument, put, rent
from tests.factories import TechnicianFactory
from tests.inventory.factories import LocationFactory

pytestmark = pytest.mark.django_db
MOST_QUERIES = 12
SEASON = {"span": "season-2025"}


@pytest.fixture(autouse=True)
def in_june():
    """It is June 20, 2026, at noon."""
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def fleet():
    """A flute out and earning, another idle since January, a clarinet in poor condition at the bench with 45.00 of work on it."""
    out, idle, poor = instrument("F-001"), instrument("F-002"), instrument("C-003", kind="clarinet", grade="poor")
    put(out, ("shelf", at(1, 1)), ("family", at(1, 31)))
    put(idle, ("shelf", at(1, 1)))
    put(poor, ("family", at(1, 31)), ("shelf", at(5, 1)))
    bill(rent(out, at(1, 31)), 5)
    bill(rent(poor, at(1, 31), at(5, 1)), 3)
    order = operations.open_work_order(
        instrument=poor, kind=WorkOrder.Kind.REPAIR, problem="Cracked", location=LocationFactory(),
        acting_user=TechnicianFactory(), now=at(6, 1),
    )  # fmt: skip
    WorkLine.objects.create(
        order=order, kind="labour", what="Looked at", minutes=60, cost=Decimal(45), price=Decimal(80), done_at=at(6, 2),
        done_by=TechnicianFactory(),
    )  # fmt: skip
    return out, idle, poor


def text(response):
    body = re.sub(r"<svg.*?</svg>", " ", response.content.decode(), flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", body).split())


def lines(response):
    return b"".join(response.streaming_content).decode().lstrip("\ufeff").splitlines()


class TestKinds:
    def test_shows_rent_work_and_use_by_kind_and_that_the_ledger_agrees(self, client_as, fleet):
        page = text(client_as("manager").get(reverse("fleet_figures"), SEASON))
        assert "Flute 2 $100.00 $0.00 $25.00 $0.00 $125.00" in page
        assert "Clarinet 1 $60.00 $0.00 $15.00 $45.00 $30.00" in page
        assert "All kinds 3 $160.00 $0.00 $40.00 $45.00 $155.00" in page
        assert "Rent 4000 $160.00 $0.00 $160.00 $0.00 Agrees" in page
        assert "Protection 4100 $40.00 $0.00 $40.00 $0.00 Agrees" in page

    def test_a_rest_in_the_ledger_is_said(self, client_as, fleet, clerk):
        from billing import ledger

        ledger.post_entry(
            entry_on=NOW.date(), kind="adjustment", memo="By hand", source="hand/1", acting_user=clerk, now=NOW,
            postings=[ledger.Line("4000", Decimal("-7.00")), ledger.Line("6900", Decimal("7.00"))],
        )  # fmt: skip
        page = text(client_as("bookkeeper").get(reverse("fleet_figures"), SEASON))
        assert "Rent 4000 $160.00 $0.00 $167.00 $7.00 Differs" in page
        assert "look in the journal for account 4000" in page

    def test_sorts_and_gives_the_same_rows_in_the_same_order_as_csv(self, client_as, fleet):
        client = client_as("bookkeeper")
        for sort in ("rent", "-rent", "use", "-name", "payback"):
            asked = {**SEASON, "sort": sort}
            page = client.get(reverse("fleet_figures"), asked).content.decode()
            shown = re.findall(r'models/\?span=season-2025&amp;kind=[a-z-]+">([^<]+)</a>', page)
            file = lines(client.get(reverse("fleet_figures_csv"), asked))
            assert [line.split(",")[0] for line in file[1:]] == shown, sort
        assert file[0].startswith("Kind,Here now,Rent,Of it paid,Protection,Bench work,Result,Months out,In use,Months to pay")

    def test_says_that_there_is_nothing_yet(self, client_as):
        assert "No figures yet" in text(client_as("manager").get(reverse("fleet_figures")))

    def test_an_address_that_means_nothing_is_the_season_that_runs(self, client_as, fleet):
        page = client_as("manager").get(reverse("fleet_figures"), {"span": "season-1", "kind": "spoon", "sort": "x", "page": "z"})
        assert (page.status_code, "Season 2025/26" in text(page)) == (200, True)

    @pytest.mark.parametrize("role", ["specialist", "technician", "administrator"])
    def test_is_not_for(self, client_as, role):
        assert client_as(role).get(reverse("fleet_figures")).status_code == 403

    def test_charts_carry_no_style_and_no_script(self, client_as, fleet):
        page = client_as("manager").get(reverse("fleet_figures"), {**SEASON, "kind": "flute"}).content.decode()
        figures = "".join(re.findall(r"<figure.*?</figure>", page, flags=re.DOTALL))
        assert figures.count("<svg") >= 6
        assert "style=" not in figures
        assert "<script" not in figures


class TestModelsAndInstruments:
    def test_list_the_same_money_apart(self, client_as, fleet):
        client = client_as("manager")
        for name in ("fleet_figures_items", "fleet_figures_instruments"):
            assert "All of these" in (page := text(client.get(reverse(name), SEASON)))
            assert "$160.00 $0.00 $40.00 $45.00 $155.00" in page, name
        page = text(client.get(reverse("fleet_figures_instruments"), {**SEASON, "kind": "clarinet"}))
        assert "C-003" in page
        assert "F-001" not in page

    def test_narrow_to_a_model_and_to_a_piece_of_the_tag(self, client_as, fleet):
        client, address = client_as("manager"), reverse("fleet_figures_instruments")
        assert "F-002" not in text(client.get(address, {**SEASON, "item": fleet[0].item_id}))
        assert "F-002" in text(client.get(address, {**SEASON, "text": "f-002"}))
        assert "No instruments match this" in text(client.get(address, {**SEASON, "text": "zzz"}))

    def test_csv_has_all_pages(self, client_as, fleet):
        file = lines(client_as("manager").get(reverse("fleet_figures_instruments_csv"), {**SEASON, "sort": "-rent"}))
        assert [line.split(",")[0] for line in file] == ["Asset tag", "F-001", "C-003", "F-002"]


class TestInstrument:
    def test_shows_its_figures_season_and_all(self, client_as, fleet):
        page = text(client_as("manager").get(reverse("instrument_figures", args=[fleet[2].pk]), SEASON))
        assert "Its rent has paid $60.00 of its cost of $400.00; at the pace of the last twelve months" in page
        assert "Season 2025/26 $60.00 $0.00 $15.00 $45.00 $30.00" in page
        assert "All time $60.00 $0.00 $15.00 $45.00 $30.00" in page

    def test_says_the_same_as_its_row_in_the_list(self, client_as, fleet):
        client = client_as("manager")
        rows = lines(client.get(reverse("fleet_figures_instruments_csv"), SEASON))[1:]
        for unit in fleet:
            amounts = next(row for row in rows if row.startswith(unit.asset_tag)).split(",")[4:9]
            page = text(client.get(reverse("instrument_figures", args=[unit.pk]), SEASON))
            assert "Season 2025/26 " + " ".join(f"${amount}" for amount in amounts) in page

    def test_stands_on_the_instrument_s_page_for_whom_it_is_for(self, client_as, fleet):
        address = reverse("instrument", args=[fleet[0].pk])
        mine = reverse("instrument_figures", args=[fleet[0].pk])
        assert mine in client_as("manager").get(address).content.decode()
        assert mine not in client_as("technician").get(address).content.decode()
        part = client_as("manager").get(mine, headers={"HX-Request": "true"}).content.decode()
        assert "<html" not in part
        assert "$100.00" in part


class TestInstrumentAdvice:
    def test_asks_for_a_supposition_where_nothing_is_known(self, client_as, fleet):
        page = text(client_as("manager").get(reverse("instrument_advice", args=[fleet[2].pk])))
        assert "Nobody has said what a repair would cost" in page

    def test_works_a_supposition_out(self, client_as, fleet):
        address = reverse("instrument_advice", args=[fleet[2].pk])
        page = text(client_as("manager").get(address, {"repair": "500", "months": "24"}))
        assert "Less this repair, as you supposed $500.00" in page
        assert "Times months it rents on 24" in page
        assert "Let it go" in page

    @pytest.mark.parametrize(
        ("asked", "sentence"), [({"repair": "a lot"}, "amount"), ({"repair": "5", "months": "900"}, "between 1 and 240 months")]
    )
    def test_says_what_is_wrong_with_a_supposition(self, client_as, fleet, asked, sentence):
        page = client_as("manager").get(reverse("instrument_advice", args=[fleet[2].pk]), asked)
        assert (page.status_code, sentence in text(page)) == (422, True)


class TestIdle:
    def test_lists_what_nobody_took_for_so_long(self, client_as, fleet):
        client = client_as("manager")
        page = text(client.get(reverse("fleet_idle")))
        assert re.search(r"F-002 Flute .* Jan 1, 2026 170", page)
        assert "F-001" not in page
        assert "No instruments idle so long yet" in text(client.get(reverse("fleet_idle"), {"days": "400"}))

    def test_a_move_between_shelves_does_not_begin_it_anew(self, client_as, fleet):
        unit = instrument("F-009")
        put(unit, ("shelf", at(1, 1)), ("bench", at(5, 20)), ("shelf", at(6, 1)))
        back = instrument("F-010")
        put(back, ("family", at(1, 1)), ("shelf", at(6, 1)))
        file = lines(client_as("manager").get(reverse("fleet_idle_csv"), {"days": "90", "sort": "tag"}))
        assert [line.split(",")[0] for line in file[1:]] == ["F-002", "F-009"]

    def test_the_file_says_the_day_that_the_page_says(self, client_as, fleet):
        """Brought back at half past eleven in the evening in Chicago, which is the next day in Greenwich."""
        unit = instrument("F-009")
        put(unit, ("shelf", datetime.datetime(2026, 2, 4, 5, 30, tzinfo=datetime.UTC)))
        client = client_as("manager")
        (line,) = [line for line in lines(client.get(reverse("fleet_idle_csv"), {"days": "90"})) if line.startswith("F-009")]
        assert "2026-02-03" in line
        assert re.search(r"F-009 .* Feb 3, 2026", text(client.get(reverse("fleet_idle"))))


class TestAdvice:
    def test_lists_open_repairs_and_what_is_poor(self, client_as, fleet):
        page = text(client_as("manager").get(reverse("fleet_advice")))
        assert "C-003" in page
        assert "Nobody has said yet" in page
        assert "F-001" not in page

    def test_takes_what_repairs_of_its_kind_come_to(self, client_as, fleet):
        twin = instrument("C-004", item=fleet[2].item, grade="poor")
        put(twin, ("shelf", at(1, 1)))
        order = WorkOrder.objects.get(instrument=fleet[2])
        WorkOrder.objects.filter(pk=order.pk).update(
            state="done", outcome="repaired", closed_at=at(6, 3), closed_by=order.opened_by, paid_by="shop"
        )
        client = client_as("manager")
        assert "$45.00 average of 1 repair of" in text(client.get(reverse("fleet_advice")))
        file = lines(client.get(reverse("fleet_advice_csv")))
        assert len(file) == 2 + ("C-003" in "".join(file))

    def test_says_that_there_is_nothing_to_weigh(self, client_as):
        assert "All done: no repairs to weigh waiting" in text(client_as("manager").get(reverse("fleet_advice")))


class TestQueries:
    @pytest.mark.parametrize(
        "name", ["fleet_figures", "fleet_figures_items", "fleet_figures_instruments", "fleet_idle", "fleet_advice"]
    )
    def test_few_whatever_there_is(self, client_as, fleet, name):
        client, counts = client_as("manager"), []
        client.get(reverse(name))
        for more in range(2):
            for number in range(1 + 6 * more):
                unit = instrument(f"Q-{more}{number:02}", grade="poor")
                put(unit, ("family", at(1, 2)), ("shelf", at(2, 2)))
                bill(rent(unit, at(1, 31), at(3, 1)), 1)
            with CaptureQueriesContext(connection) as seen:
                assert client.get(reverse(name), {"kind": "flute", "days": "1"}).status_code == 200
            counts.append(len(seen))
        assert counts[0] == counts[1] <= MOST_QUERIES, "\n".join(each["sql"][:200] for each in seen.captured_queries)

    @pytest.mark.parametrize("name", ["instrument_figures", "instrument_advice"])
    def test_of_one_instrument_too(self, client_as, fleet, name):
        client = client_as("manager")
        client.get(reverse("fleet_idle"))
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse(name, args=[fleet[0].pk]))
        assert len(seen) <= MOST_QUERIES, "\n".join(each["sql"][:200] for each in seen.captured_queries)
