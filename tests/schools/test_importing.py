"""A district's spreadsheet coming in: looked through first, whole or not at all, mistakes by row."""

import csv
import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from rentals.inventory.importing.reading import read_table
from rentals.runtime import clock
from schools.importing import operations
from schools.importing.columns import LIST_COLUMNS, SCHOOL_COLUMNS
from schools.models import Director, District, Programme, RequiredItem, School
from tests.factories import UserFactory
from tests.inventory.factories import ProductFactory, kind
from tests.inventory.test_fleet_import import xlsx_of
from tests.schools.factories import DirectorFactory, ProgrammeFactory, SchoolFactory

pytestmark = pytest.mark.django_db
HEADER = [column.label for column in SCHOOL_COLUMNS]
BIRCH = ["Birch School", "Prairie", "1 Main St", "Springdale", "IL", "62704", "Tuesday"]
GOOD = [
    [*BIRCH, "Band", "5", "30", "Al Forte", "al@school.example", "(312) 555-0142"],
    [*BIRCH, "Orchestra", "4", "12", "Al Forte", "al@school.example", ""],
    ["Cedar School", "Prairie", "2 Oak Ave", "Springdale", "IL", "62704", "", "Band", "", "", "", "", ""],
]


def written(header, rows) -> bytes:
    text = io.StringIO()
    csv.writer(text).writerows([header, *rows])
    return text.getvalue().encode()


def look(client, rows, header=HEADER):
    file = SimpleUploadedFile("district.csv", written(header, rows))
    return client.post(reverse("school_import"), {"file": file})


def take_in(client, page, **changes):
    kept = {name: str(page.context[name]) for name in ("sealed", "shown", "request_key")}
    return client.post(reverse("school_import_take_in"), {**kept, **changes})


def counts() -> tuple[int, ...]:
    return tuple(model.objects.count() for model in (District, School, Programme, Director, RequiredItem))


class TestJourney:
    def test_three_mistakes_are_told_by_row_mended_and_all_of_it_is_taken_in(self, client_as):
        client, wrong = client_as("specialist"), [list(row) for row in GOOD]
        wrong[0][5] = "627"
        wrong[1][7] = "Choir"
        wrong[2][6] = "Caturday"
        page = look(client, wrong)
        assert page.status_code == 422
        found = [(error.row, error.column, error.value) for error in page.context["errors"]]
        assert (2, "ZIP code", "627") in found
        assert (3, "ZIP code", "62704") in found  # the two rows of one school do not agree
        assert (4, "The van comes on", "Caturday") in found
        assert "Take all of it in" not in page.text
        assert counts() == (0, 0, 0, 0, 0)

        wrong[0][5], wrong[2][6] = "62704", "Thursday"
        page = look(client, wrong)
        assert [(error.row, error.column, error.value) for error in page.context["errors"]] == [(3, "Programme", "Choir")]
        assert counts() == (0, 0, 0, 0, 0)

        wrong[1][7] = "Orchestra"
        page = look(client, wrong)
        assert page.status_code == 200
        assert counts() == (0, 0, 0, 0, 0)
        answer = take_in(client, page)
        assert answer.url == reverse("schools")
        assert counts() == (1, 2, 3, 1, 0)
        birch = School.objects.get(name="Birch School")
        assert (birch.district.name, birch.delivery_weekday, birch.postal_code) == ("Prairie", 1, "62704")
        director = Director.objects.get()
        assert (director.phone, director.programmes.count()) == ("+13125550142", 2)
        band = Programme.objects.get(school=birch, kind="band")
        assert (band.starting_grade, band.expected_beginners) == (5, 30)

    def test_the_same_file_again_brings_nothing(self, client_as):
        client = client_as("specialist")
        take_in(client, look(client, GOOD))
        page = look(client, GOOD)
        assert page.context["outcome"].changes == []
        assert "says nothing new" in page.text

    def test_sent_twice_it_is_taken_in_once(self, client_as):
        client = client_as("specialist")
        page = look(client, GOOD)
        assert [take_in(client, page).url for _ in range(2)] == [reverse("schools")] * 2
        assert counts() == (1, 2, 3, 1, 0)


class TestChanges:
    def test_empty_cells_change_nothing_and_others_are_told(self, client_as):
        director = DirectorFactory(name="Al Forte", email="al@school.example")
        school = SchoolFactory(name="Birch School", district="Prairie", street="9 Old Rd", delivery_weekday=3)
        director.programmes.set([ProgrammeFactory(school=school, expected_beginners=20)])
        client = client_as("specialist")
        row = ["birch school", "", "1 Main St", "", "", "", "", "band", "", "25", "al forte", "", "312 555 0142"]
        page = look(client, [row])
        assert [(change.what, change.is_new) for change in page.context["outcome"].changes] == [
            ("School", False),
            ("Programme", False),
            ("Director", False),
        ]
        assert "Street: 9 Old Rd → 1 Main St" in page.text
        assert "Beginners next season: 20 → 25" in page.text
        take_in(client, page)
        school.refresh_from_db()
        director.refresh_from_db()
        assert (school.name, school.street, school.delivery_weekday) == ("Birch School", "1 Main St", 3)
        assert (director.email, director.phone) == ("al@school.example", "+13125550142")
        assert school.programmes.get().expected_beginners == 25

    def test_what_somebody_changed_meanwhile_is_shown_again_first(self, client_as):
        client = client_as("specialist")
        page = look(client, GOOD)
        SchoolFactory(name="Cedar School", street="8 Elsewhere")
        answer = take_in(client, page)
        assert answer.status_code == 409
        assert "Somebody changed something" in answer.text
        assert not School.objects.filter(name="Birch School").exists()
        assert take_in(client, answer).url == reverse("schools")
        assert School.objects.get(name="Cedar School").street == "2 Oak Ave"


class TestRequiredLists:
    HEADER = [column.label for column in LIST_COLUMNS]

    def test_lines_are_taken_in_and_mistakes_told(self, client_as):
        programme, client = ProgrammeFactory(school__name="Birch School"), client_as("specialist")
        rosin, violin = ProductFactory(name="Rosin"), kind("violin").name
        rows = [
            ["Birch School", "Band", violin, "Rosin", "", "2", "", "1", "Dark"],
            ["Birch School", "Band", violin, "", "Black shirt", "", "The school sells it", "", ""],
            ["Birch School", "Orchestra", violin, "Rosin", "", "", "", "", ""],
            ["Birch School", "Band", "Lute of glass", "Rosin", "", "", "", "", ""],
            ["Birch School", "Band", violin, "Rosin", "", "21", "", "", ""],
        ]
        page = look(client, rows, self.HEADER)
        found = [(error.row, error.column) for error in page.context["errors"]]
        assert found == [(4, "Programme"), (5, "Instrument"), (6, "How many")]
        assert counts()[-1] == 0
        take_in(client, look(client, rows[:2], self.HEADER))
        lines = programme.required_items.order_by("pk").values_list("product", "words", "quantity", "sold_by", "choice", "note")
        assert list(lines) == [(rosin.pk, "", 2, "us", 1, "Dark"), (None, "Black shirt", 1, "school", None, "")]

    def test_the_same_line_twice_is_a_mistake(self, client_as):
        ProgrammeFactory(school__name="Birch School")
        row = ["Birch School", "Band", kind("violin").name, "", "Pencil", "", "", "", ""]
        page = look(client_as("specialist"), [row, row], self.HEADER)
        assert "Row 2 asks for it already" in page.text


class TestFiles:
    @pytest.mark.parametrize(
        ("header", "rows", "said"),
        [
            (["Name of it", "Street"], [["Birch", "1 Main"]], "has no column named “School”"),
            (["School"], [["Birch"]] * 501, "has 501 rows; 500 is the most"),
            (["School"], [], "The file has no rows"),
        ],
    )
    def test_what_is_no_such_file_is_refused(self, client_as, header, rows, said):
        page = look(client_as("specialist"), rows, header)
        assert page.status_code == 422
        assert said in page.text

    def test_guarded_cells_come_in_as_they_were(self, client_as):
        client, row = client_as("specialist"), list(GOOD[2])
        row[2] = "'=1+1"
        take_in(client, look(client, [row]))
        assert School.objects.get().street == "=1+1"

    @pytest.mark.parametrize("name", ["school_import_template", "school_import_lists_template"])
    def test_a_template_names_columns_that_are_understood(self, client_as, name):
        content = b"".join(client_as("specialist").get(reverse(name)).streaming_content)
        header = next(csv.reader(io.StringIO(content.decode("utf-8-sig"))))
        _, layout = operations.read_file(written(header, [["x"] * len(header)]))
        assert (len(layout.places), layout.unread) == (len(header), [])

    def test_only_the_person_who_looked_takes_it_in_and_only_as_it_was(self, client_as):
        page = look(client_as("specialist"), GOOD)
        other = take_in(client_as("manager"), page)
        assert other.url == reverse("school_import")
        bent = take_in(client_as("specialist"), page, sealed=str(page.context["sealed"])[:-3] + "abc")
        assert bent.url == reverse("school_import")
        assert counts() == (0, 0, 0, 0, 0)

    def test_readers_may_not(self, client_as):
        assert look(client_as("bookkeeper"), GOOD).status_code in {302, 403}
        assert counts() == (0, 0, 0, 0, 0)

    def test_looking_writes_nothing_that_stays(self):
        table = read_table(written(HEADER, GOOD))
        outcome = operations.look_through(table, acting_user=UserFactory(), today=clock.today())
        assert (outcome.added, outcome.changed, outcome.errors) == (6, 1, [])
        assert counts() == (0, 0, 0, 0, 0)

    def test_a_workbook_is_read_like_a_csv(self, client_as):
        book = xlsx_of(*GOOD, header=HEADER)
        file = SimpleUploadedFile("district.xlsx", book)
        page = client_as("specialist").post(reverse("school_import"), {"file": file})
        assert (page.status_code, page.context["outcome"].added) == (200, 6)
