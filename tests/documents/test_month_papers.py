"""A month's papers: which, in what order, for whom, and all as one PDF."""

import datetime
import io

import pypdf
import pytest
from django.urls import reverse

from rentals.documents import kinds, months, operations, pdf
from rentals.documents.models import Document
from rentals.runtime import clock
from rentals.staff.models import Role
from tests.documents import samples
from tests.documents.test_outbox import NOW, letter
from tests.factories import BookkeeperFactory

pytestmark = pytest.mark.django_db
OCTOBER = datetime.datetime(2026, 10, 12, 15, 0, tzinfo=datetime.UTC)


@pytest.fixture(autouse=True)
def in_november(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(clock, "today", lambda: datetime.date(2026, 11, 24))


def paper(key: str, kind: str = "overdue", *, at: datetime.datetime = OCTOBER, made: bool = True, **changes) -> Document:
    page = samples.EVERY_KIND[kind](**changes)
    document = operations.ask_for_document(key=key, kind=kind, about="household/1", title=f"Paper {key}", page=page, now=at)
    return operations.make_document(document_id=document.pk, now=at) if made else document


def shown(client, query: str = "month=2026-10") -> str:
    return client.get(f"{reverse('month_papers')}?{query}").content.decode()


class TestMonthPapers:
    def test_lists_what_families_got_in_a_month_in_its_order(self, client_as):
        paper("b", at=OCTOBER + datetime.timedelta(days=3)), paper("a"), paper("later", at=NOW)
        page = shown(client_as("bookkeeper"))
        assert "Paper later" not in page
        assert page.index("Paper a") < page.index("Paper b")
        assert page.count("Maren Oldacre") == 2

    def test_a_month_begins_and_ends_by_the_offices_clock(self, client_as, settings):
        settings.TIME_ZONE = "America/Chicago"
        paper("sept", at=datetime.datetime(2026, 10, 1, 4, 59, tzinfo=datetime.UTC))
        paper("first", at=datetime.datetime(2026, 10, 1, 5, 0, tzinfo=datetime.UTC))
        paper("last", at=datetime.datetime(2026, 11, 1, 4, 59, tzinfo=datetime.UTC))
        page = shown(client_as("manager"))
        assert "Paper first" in page
        assert "Paper last" in page
        assert "Paper sept" not in page

    def test_shows_one_kind_or_the_offices_own(self, client_as):
        paper("notice"), paper("account", "statement"), paper("slip", "deposit_slip")
        client = client_as("bookkeeper")
        words = {
            query: [
                key for key in ("notice", "account", "slip") if f"Paper {key}" in shown(client, f"month=2026-10&kind={query}")
            ]
            for query in ("", "statement", "office", "no-such-kind")
        }
        everything = ["notice", "account"]
        assert words == {"": everything, "statement": ["account"], "office": ["slip"], "no-such-kind": everything}

    @pytest.mark.parametrize("text", ["", "2026-13", "2027-01", "1-1", "２０２６-10"])
    def test_a_month_that_is_none_is_this_one(self, client_as, text: str):
        paper("now", at=NOW)
        assert "Paper now" in shown(client_as("specialist"), f"month={text}")

    def test_offers_the_months_there_are(self):
        paper("old", at=datetime.datetime(2026, 8, 20, tzinfo=datetime.UTC))
        found = months.list_months(today=datetime.date(2026, 11, 24))
        assert [month.code for month in found] == ["2026-11", "2026-10", "2026-09", "2026-08"]
        assert [str(month) for month in found[:2]] == ["November 2026", "October 2026"]

    def test_says_how_each_went_out(self, client_as):
        letter("by hand")
        page = shown(client_as("manager"), "month=2026-11")
        assert "To print" in page
        assert reverse("letters") in page

    def test_costs_as_much_for_fifty_as_for_one(self, client_as, django_assert_max_num_queries):
        for number in range(6):
            paper(str(number), made=False)
        client = client_as("bookkeeper")
        with django_assert_max_num_queries(12):
            shown(client)

    @pytest.mark.parametrize("role", [Role.TECHNICIAN, Role.ADMINISTRATOR])
    @pytest.mark.parametrize("page", ["month_papers", "month_papers_pdf"])
    def test_is_not_for_those_who_know_no_families(self, client_as, role: str, page: str):
        assert client_as(role).get(reverse(page)).status_code == 403

    def test_a_kind_one_may_not_open_is_not_there(self, client_as, monkeypatch: pytest.MonkeyPatch):
        paper("hidden")
        hidden = kinds.Kind("overdue", "Overdue notice", "documents/overdue.html", samples.pages.OverduePage, "staff.manage")
        monkeypatch.setitem(kinds.KINDS, "overdue", hidden)
        client = client_as("bookkeeper")
        assert "Paper hidden" not in shown(client)
        assert client.get(f"{reverse('month_papers_pdf')}?month=2026-10&kind=overdue").status_code == 404


class TestAllAsOnePdf:
    def read(self, client, query: str) -> pypdf.PdfReader:
        answer = client.get(f"{reverse('month_papers_pdf')}?{query}")
        assert answer["Content-Type"] == "application/pdf"
        assert "no-store" in answer["Cache-Control"]
        return pypdf.PdfReader(io.BytesIO(answer.content))

    def test_holds_every_made_paper_in_order_and_names_it_in_its_outline(self, client_as):
        paper("b", "statement", at=OCTOBER + datetime.timedelta(days=3)), paper("a"), paper("waits", made=False)
        reader = self.read(client_as("bookkeeper"), "month=2026-10")
        assert [entry.title for entry in reader.outline] == ["Paper a, Maren Oldacre", "Paper b, Maren Oldacre"]
        assert "slipped by" in reader.pages[0].extract_text()
        assert "Balance before" in reader.pages[1].extract_text()

    def test_comes_in_parts_of_a_hundred(self, client_as, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.setattr(months, "MOST_IN_ONE", 2)
        for number in range(3):
            paper(str(number))
        client = client_as("bookkeeper")
        page = shown(client)
        assert "Open 1 to 2" in page
        assert "Open 3 to 3" in page
        assert [len(self.read(client, f"month=2026-10&part={part}").pages) for part in (1, 2)] == [2, 1]
        assert client.get(f"{reverse('month_papers_pdf')}?month=2026-10&part=3").status_code == 404

    def test_says_how_many_are_left_out(self, client_as):
        paper("made"), paper("waits", made=False)
        page = shown(client_as("bookkeeper"))
        assert "1 is not made yet and left out" in page

    def test_leaves_the_archived_bytes_as_they_are(self):
        found = paper("one")
        papers = months.list_papers(
            month=months.read_month("2026-10", today=datetime.date(2026, 11, 24)), kinds=["overdue"], user=BookkeeperFactory()
        )
        assert months.join_papers(papers, part=1) != bytes(found.content)
        found.refresh_from_db()
        assert bytes(found.content) == pdf.render_pdf(
            kind=kinds.KINDS["overdue"], payload=found.payload, title=found.title, language="en"
        )
