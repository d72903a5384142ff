"""Reports on screen: the month and the filter stand in the address, a link shows another person the same."""

import pytest
from django.urls import reverse

from billing.closing.reports import catalog
from rentals.documents.models import Document

ADDRESS = "?month=2026-02&text=rent&empty="


@pytest.fixture
def clerk(client_as, books):
    return client_as("bookkeeper")


class TestReports:
    def test_lists_every_report_with_the_month(self, clerk):
        page = clerk.get(reverse("reports") + "?month=2026-02").content.decode()
        for code in catalog.KINDS:
            assert f"/books/reports/{code}/?month=2026-02" in page

    def test_an_address_shows_a_manager_the_same_rows(self, clerk, client_as):
        address = reverse("report", args=["income"]) + ADDRESS
        mine, theirs = clerk.get(address).context["rows"], client_as("manager").get(address).context["rows"]
        assert mine == theirs
        assert [cells[0][0] for _, cells in mine] == ["Rent"]

    def test_files_follow_the_filter(self, clerk):
        page = clerk.get(reverse("report", args=["income"]) + ADDRESS).content.decode()
        link = reverse("report_csv", args=["income"]) + ADDRESS
        assert link.replace("&", "&amp;") in page
        lines = clerk.get(link).content.decode().splitlines()
        assert [line.split(",")[0] for line in lines[1:]] == ["Rent", "Total of what is shown"]

    def test_says_that_it_agrees_with_the_ledger(self, clerk):
        page = clerk.get(reverse("report", args=["receivables"]) + "?month=2026-03").content.decode()
        assert "Closing beside account 1200: $46.65 and $46.65" in page
        assert "Agrees" in page
        assert "Differs" not in page

    def test_cautions_where_the_state_decides(self, clerk):
        assert "The state decides what is taxable" in clerk.get(reverse("report", args=["tax"])).content.decode()

    def test_an_unknown_report_is_not_found(self, clerk):
        assert clerk.get(reverse("report", args=["nothing"])).status_code == 404

    @pytest.mark.parametrize("month", ["", "2026-13", "x", "9999-12", "0001-01", "2026-%0002"])
    def test_a_month_that_is_none_shows_the_last_one_that_is_over(self, clerk, month):
        assert clerk.get(reverse("reports") + f"?month={month}").status_code == 200

    @pytest.mark.parametrize("month", ["9999-12", "0001-01"])
    def test_every_report_and_its_files_take_a_month_that_nobody_means(self, clerk, month):
        last = clerk.get(reverse("report", args=["income"])).context["report"].month
        for code in catalog.KINDS:
            assert clerk.get(reverse("report", args=[code]) + f"?month={month}").context["report"].month == last
            assert clerk.get(reverse("clearing") + f"?month={month}").status_code == 200
        assert last.code in clerk.get(reverse("report_csv", args=["tax"]) + f"?month={month}")["Content-Disposition"]

    def test_has_a_spreadsheet(self, clerk):
        answer = clerk.get(reverse("report_xlsx", args=["fleet"]) + "?month=2026-03")
        assert answer["Content-Disposition"] == 'attachment; filename="fleet-2026-03.xlsx"'
        assert answer.content.startswith(b"PK")

    def test_has_a_pdf(self, clerk):
        answer = clerk.post(reverse("report_pdf", args=["fleet"]) + "?month=2026-03")
        assert answer.url == reverse("document", args=[Document.objects.get(kind="report").pk])

    def test_is_not_for_the_counter(self, client_as, books):
        assert client_as("specialist").get(reverse("report", args=["tax"])).status_code == 403
