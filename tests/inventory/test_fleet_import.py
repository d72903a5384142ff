"""The shop's own spreadsheet: read whatever program wrote it, refused whole with row and column, taken in once or not at all."""

import csv
import datetime
import io
import struct
import zipfile
from decimal import Decimal

import pytest
import xlsxwriter
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from rentals.inventory import queries
from rentals.inventory.importing.columns import guess_columns
from rentals.inventory.importing.reading import FileRefusedError, read_table
from rentals.inventory.models import CatalogueItem, Custody, FleetImport, ImportDraft, Instrument
from rentals.inventory.operations import imports
from tests.factories import UserFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory

NOW = datetime.datetime(2026, 3, 2, 16, 0, tzinfo=datetime.UTC)
HEADER = [
    "Tag", "Serial No.", "Instrument", "Brand", "Model", "Size", "Level", "Condition", "Store", "Cost", "Acquired",
    "Price", "Replacement",
]  # fmt: skip
FLUTE = ["fl-1", "S1", "Flute", "Harrow", "F1", "", "Student", "Good", "Main Street shop", "310.00", "3/1/2026", "900", "850"]
VIOLIN = ["VN-1", "S2", "Violin", "Harrow", "V1", "1/2", "", "New", "main", "$1,250.50", "2026-03-01", "1,900", "1850"]


def csv_of(*rows, coding="utf-8", delimiter=","):
    lines = [delimiter.join(f'"{cell}"' if delimiter in cell else cell for cell in row) for row in (HEADER, *rows)]
    return "\r\n".join(lines).encode(coding)


def xlsx_of(*rows, header=HEADER):
    file = io.BytesIO()
    with xlsxwriter.Workbook(file, {"in_memory": True}) as workbook:
        sheet = workbook.add_worksheet()
        day = workbook.add_format({"num_format": "mm/dd/yyyy"})
        for number, row in enumerate([header, *rows]):
            for place, cell in enumerate(row):
                if isinstance(cell, datetime.date):
                    sheet.write_datetime(number, place, datetime.datetime.combine(cell, datetime.time()), day)
                else:
                    sheet.write(number, place, cell)
    return file.getvalue()


def changed(row, **cells):
    names = ["tag", "serial", "kind", "maker", "model", "size", "tier", "grade", "location", "cost", "acquired", "price", "value"]
    return [cells.get(name, cell) for name, cell in zip(names, row, strict=True)]


# One of a kind without such a size, a condition and a kind written wrong; and how each is told. Row 1 is the header.
BAD = ("5/9", "Godo", "Fluet")
TOLD = [
    (
        413, "Size", "5/9",
        "“5/9” is not a size of this kind: write one of 1/16, 1/10, 1/8, 1/4, 1/2, 3/4, 4/4.",
    ),
    (1205, "Condition", "Godo", "“Godo” is not one of: new, good, worn, poor. Write one of these."),
    (2000, "Kind of instrument", "Fluet", "“Fluet” is not a kind of instrument the office knows. Did you mean Flute?"),
]  # fmt: skip


def two_thousand():
    """A thousand half violins and a thousand flutes, one after the other as they stand on the shelf."""
    violins = [changed(VIOLIN, tag=f"VN-{number:04d}", serial=f"V{number}", cost="310") for number in range(1000)]
    flutes = [changed(FLUTE, tag=f"FL-{number:04d}", serial=f"F{number}") for number in range(1000)]
    return violins + flutes


def draft_of(content):
    return imports.keep_draft(file_name="fleet.csv", content=content, acting_user=UserFactory(role="manager"), now=NOW)


def errors_of(*rows):
    return [(error.row, error.column, error.message) for error in imports.check_draft(draft_of(csv_of(*rows))).errors]


@pytest.fixture
def shop(db):
    return LocationFactory()


class TestReadTable:
    @pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
    @pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
    def test_csv_from_any_program(self, coding, delimiter):
        row = changed(FLUTE, maker="Hauß & Söhne")
        table = read_table(csv_of(row, coding=coding, delimiter=delimiter))
        assert table.header == HEADER
        assert table.rows == [(2, row)]

    def test_xlsx_with_real_dates_and_numbers(self):
        row = [*FLUTE]
        row[1], row[9], row[10] = 88123, 310.5, datetime.date(2026, 3, 1)
        ((number, cells),) = read_table(xlsx_of(row)).rows
        assert (number, cells[1], cells[9], cells[10]) == (2, "88123", "310.5", "2026-03-01")

    def test_empty_rows_keep_the_numbers_of_the_others(self):
        assert [number for number, _ in read_table(b"Tag,Kind\n\n,\nFL-1,Flute\n").rows] == [4]

    def test_cells_beyond_the_header_get_a_column(self):
        assert read_table(b"Tag\nFL-1,left over\n").header == ["Tag", "Column 2"]

    @pytest.mark.parametrize(
        ("content", "words"),
        [
            (b"", "has no rows"),
            (b"Tag,Kind\n", "has no rows"),
            (b"\x00\x01\x02binary", "not a table"),
            (b"PK\x03\x04 but then nothing", "damaged"),
            (xlsx_of(FLUTE)[:-400], "damaged"),
            (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"0" * 100, "old .xls form"),
            (b"x" * (5 * 1024 * 1024 + 1), "larger than 5 MB"),
            (b"Tag\n" + b"FL-1\n" * 20_001, "more than 20,000 rows"),
            ((",".join(str(n) for n in range(50_000)) + "\nFL-1\n").encode(), "50,000 columns"),
            (b'Tag,Kind\n"FL-1,Flute\n', "cannot be read as CSV"),
            (b"Tag\n\x81\x8d\x8f\n", "letters cannot be read"),
        ],
    )
    def test_refuses_what_is_no_table(self, content, words):
        with pytest.raises(FileRefusedError, match=words):
            read_table(content)

    def test_refuses_a_workbook_with_its_parts_missing_or_damaged(self):
        # Some bytes matter to nobody; whatever the others break is refused, and nothing else is ever raised.
        whole = xlsx_of(FLUTE)
        refused = 0
        for place in range(40, len(whole), max(1, len(whole) // 60)):
            broken = whole[:place] + bytes([whole[place] ^ 0xFF]) + whole[place + 1 :]
            try:
                read_table(broken)
            except FileRefusedError:
                refused += 1
        assert refused > 20

    def test_refuses_a_zip_bomb_before_it_unpacks(self):
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as bomb:
            bomb.writestr("xl/worksheets/sheet1.xml", b" " * (80 * 1024 * 1024))
        content = file.getvalue()
        assert len(content) < 200_000
        with pytest.raises(FileRefusedError, match="unpacks to more than 60 MB"):
            read_table(content)

    def test_refuses_a_zip_bomb_that_lies_about_its_size(self):
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as bomb:
            bomb.writestr("xl/worksheets/sheet1.xml", b" " * (80 * 1024 * 1024))
        content = bytearray(file.getvalue())
        directory = content.index(b"PK\x01\x02")
        content[directory + 24 : directory + 28] = struct.pack("<I", 10)
        content[22:26] = struct.pack("<I", 10)
        with pytest.raises(FileRefusedError, match="unpacks to more than 60 MB"):
            read_table(bytes(content))

    def test_refuses_one_cell_at_the_far_corner(self):
        whole = io.BytesIO(xlsx_of(FLUTE))
        far = io.BytesIO()
        with zipfile.ZipFile(whole) as read, zipfile.ZipFile(far, "w", zipfile.ZIP_DEFLATED) as write:
            for name in read.namelist():
                data = read.read(name)
                if name == "xl/worksheets/sheet1.xml":
                    data = data.replace(b"</sheetData>", b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>')
                write.writestr(name, data)
        with pytest.raises(FileRefusedError, match="more than"):
            read_table(far.getvalue())


class TestGuessColumns:
    def test_by_the_names_people_use(self):
        assert guess_columns(HEADER) == dict(
            zip(
                [
                    "asset_tag", "serial_number", "kind", "maker", "model", "size", "tier", "grade", "location", "cost",
                    "acquired_on", "purchase_price", "replacement_value",
                ],
                range(13),
                strict=True,
            )
        )  # fmt: skip

    def test_never_one_column_twice(self):
        assert guess_columns(["Tag", "Asset tag"]) == {"asset_tag": 1}


class TestCheckRows:
    def test_a_good_file_has_none(self, shop):
        assert errors_of(FLUTE, VIOLIN) == []

    @pytest.mark.parametrize(
        ("cells", "column", "words"),
        [
            ({"tag": ""}, "Asset tag", "The asset tag is missing."),
            ({"tag": "F!"}, "Asset tag", "cannot be an asset tag"),
            ({"kind": "Kazoo"}, "Kind of instrument", "“Kazoo” is not a kind of instrument the office knows."),
            ({"maker": ""}, "Maker", "The maker is missing."),
            ({"model": "m" * 61}, "Model", "longer than 60 letters"),
            ({"size": "1/2"}, "Size", "This kind has no sizes"),
            ({"kind": "Violin"}, "Size", "The size is missing: 1/16, 1/10"),
            ({"tier": "Golden"}, "Made for (tier)", "“Golden” is not one of: beginner, advanced."),
            ({"grade": "Shiny"}, "Condition", "“Shiny” is not one of"),
            ({"location": "The moon"}, "Location", "There is no shop called “The moon”."),
            ({"cost": "-5"}, "What the shop paid", "at least 0.00"),
            ({"cost": "a lot"}, "What the shop paid", "Write the amount in digits"),
            ({"acquired": "31/31/2026"}, "Acquired on", "month/day/year"),
            ({"acquired": ""}, "Acquired on", "The date it was acquired is missing"),
            ({"acquired": "1/1/0026"}, "Acquired on", "Check the year: it must be from 1900 to 2100."),
            ({"price": ""}, "Purchase price", "Harrow F1 is not in the catalogue"),
            ({"value": ""}, "Replacement value", "Harrow F1 is not in the catalogue"),
        ],
    )
    def test_says_row_column_and_what_to_do(self, shop, cells, column, words):
        (error,) = errors_of(VIOLIN, changed(FLUTE, **cells))
        assert (error[0], error[1]) == (3, column)
        assert words in error[2]

    def test_the_same_tag_twice_in_the_file(self, shop):
        assert errors_of(FLUTE, changed(VIOLIN, tag="FL 1"), changed(VIOLIN, tag="fl-1 ", serial="S3")) == [
            (4, "Asset tag", "Row 2 has this tag already: every instrument has its own.")
        ]

    def test_the_same_serial_number_twice_in_the_file(self, shop):
        assert errors_of(FLUTE, changed(FLUTE, tag="FL-2")) == [
            (3, "Serial number", "Row 2 is the same model with the same serial number.")
        ]

    def test_a_tag_the_fleet_has(self, shop):
        InstrumentFactory(asset_tag="FL-1")
        assert errors_of(FLUTE) == [(2, "Asset tag", "An instrument of the fleet has this tag already.")]

    def test_a_serial_number_the_fleet_has(self, shop):
        item = CatalogueItemFactory(kind_code="flute", maker="HARROW", model="f1")
        InstrumentFactory(asset_tag="FL-9", serial_number="S1", item=item)
        assert errors_of(FLUTE) == [(2, "Serial number", "FL-9 in the fleet is the same model with the same serial number.")]

    def test_two_prices_for_one_new_model(self, shop):
        assert errors_of(FLUTE, changed(FLUTE, tag="FL-2", serial="", price="901")) == [
            (3, "Purchase price", "Row 2 gives 900.00 for Harrow F1.")
        ]

    def test_every_error_of_a_row_is_told_at_once(self, shop):
        found = errors_of(changed(FLUTE, kind="Kazoo", cost="-5", acquired="soon"))
        assert [column for _, column, _ in found] == ["Kind of instrument", "What the shop paid", "Acquired on"]


class TestImportFleet:
    def take_in(self, draft):
        return imports.import_fleet(draft=draft, acting_user=UserFactory(role="manager"), now=NOW)

    def test_takes_in_every_row_with_its_custody_and_new_models(self, shop):
        known = CatalogueItemFactory(kind_code="flute", maker="Harrow", model="F1", purchase_price=Decimal("777.00"))
        self.take_in(draft_of(csv_of(FLUTE, VIOLIN)))
        flute, violin = Instrument.objects.order_by("asset_tag")
        assert (flute.asset_tag, flute.item, flute.cost.amount, flute.acquired_on) == (
            "FL-1", known, Decimal("310.00"), datetime.date(2026, 3, 1),
        )  # fmt: skip
        assert (violin.item.size, violin.item.purchase_price.amount, violin.grade) == ("1/2", Decimal("1900.00"), "new")
        here = queries.get_whereabouts(violin)
        assert (here.place, here.custody.location, here.custody.reason) == ("shelf", shop, "Taken in from fleet.csv")
        known.refresh_from_db()
        assert known.purchase_price.amount == Decimal("777.00")

    def test_takes_in_nothing_when_one_row_is_wrong(self, shop):
        with pytest.raises(imports.ImportHasErrorsError):
            self.take_in(draft_of(csv_of(FLUTE, changed(VIOLIN, cost="-1"))))
        assert not Instrument.objects.exists()
        assert not CatalogueItem.objects.exists()
        assert not FleetImport.objects.exists()

    def test_the_same_file_again_adds_nothing_and_says_so(self, shop):
        content = csv_of(FLUTE, VIOLIN)
        draft = draft_of(content)
        self.take_in(draft)
        with pytest.raises(imports.FileTakenInError, match="Nothing was added again"):
            self.take_in(draft)
        with pytest.raises(imports.FileTakenInError, match=r"fleet.csv, 2 instruments"):
            draft_of(content)
        assert Instrument.objects.count() == 2

    def test_the_same_file_before_that_is_the_same_draft(self, shop):
        assert draft_of(csv_of(FLUTE)) == draft_of(csv_of(FLUTE))

    def test_settled_columns_are_remembered_for_the_same_header(self, shop):
        first = draft_of(csv_of(FLUTE))
        settled = {"asset_tag": 0, "kind": 2, "maker": 3, "model": 4}
        imports.settle_columns(draft=first, mapping=settled, settings={"location": "main"}, acting_user=first.made_by)
        second = draft_of(csv_of(VIOLIN))
        assert (second.mapping, second.settings) == (settled, {"location": "main"})


@pytest.mark.django_db
class TestScreens:
    def upload(self, client, content, name="fleet.csv"):
        return client.post(reverse("fleet_import"), {"file": SimpleUploadedFile(name, content)})

    def settle(self, client, draft, **changes):
        data = {f"column_{key}": str(place) for key, place in draft.mapping.items()} | changes
        return client.post(reverse("import_columns", args=[draft.pk]), data)

    def test_from_file_to_fleet(self, client_as, shop):
        client = client_as("technician")
        content = xlsx_of(FLUTE, VIOLIN)
        assert self.upload(client, content, "fleet.xlsx").status_code == 302
        draft = ImportDraft.objects.get()
        assert "Settle the columns" in client.get(reverse("import_columns", args=[draft.pk])).content.decode()
        assert self.settle(client, draft).status_code == 302
        check = client.get(reverse("import_check", args=[draft.pk]))
        assert "Take in all 2" in check.content.decode()
        assert client.post(reverse("import_check", args=[draft.pk])).status_code == 302
        assert Instrument.objects.count() == 2
        assert self.upload(client, content, "fleet.xlsx").status_code == 422
        assert Instrument.objects.count() == 2

    def test_the_same_file_twice_says_so(self, client_as, shop):
        client, content = client_as("manager"), csv_of(FLUTE)
        self.upload(client, content)
        client.post(reverse("import_check", args=[ImportDraft.objects.get().pk]))
        again = self.upload(client, content)
        assert again.status_code == 422
        assert "Nothing was added again." in again.content.decode()
        assert client.post(reverse("import_check", args=[ImportDraft.objects.get().pk])).status_code == 302
        assert Instrument.objects.count() == 1

    def test_errors_are_shown_and_saved_and_nothing_is_lost(self, client_as, shop):
        client = client_as("manager")
        self.upload(client, csv_of(FLUTE, changed(VIOLIN, cost="-1", tag="=1+1")))
        draft = ImportDraft.objects.get()
        page = client.get(reverse("import_check", args=[draft.pk])).content.decode()
        assert "2 things to correct in 1 row" in page
        assert "Take in all" not in page
        refused = client.post(reverse("import_check", args=[draft.pk]))
        assert refused.status_code == 409
        saved = b"".join(client.get(reverse("import_errors", args=[draft.pk])).streaming_content).decode("utf-8-sig")
        assert "3,What the shop paid,'-1," in saved
        assert "'=1+1" in saved
        assert "fleet.csv" in client.get(reverse("fleet_import")).content.decode()

    def test_three_bad_cells_among_two_thousand_lines_are_mended_and_all_is_taken_in(self, client_as, shop):
        client, rows = client_as("manager"), two_thousand()
        good = [list(row) for row in rows]
        rows[411][HEADER.index("Size")], rows[1203][HEADER.index("Condition")], rows[1998][HEADER.index("Instrument")] = BAD
        self.upload(client, csv_of(*rows))
        draft = ImportDraft.objects.get()
        page = client.get(reverse("import_check", args=[draft.pk]))
        assert "3 things to correct in 3 rows" in page.content.decode()
        assert [(error.row, error.column, error.value, error.message) for error in page.context["errors"]] == TOLD
        assert client.post(reverse("import_check", args=[draft.pk])).status_code == 409
        assert not Instrument.objects.exists()
        saved = b"".join(client.get(reverse("import_errors", args=[draft.pk])).streaming_content).decode("utf-8-sig")
        columns = ["Row", "Column", "What stands there", "What to do"]
        assert list(csv.reader(io.StringIO(saved))) == [columns, *([str(row), *rest] for row, *rest in TOLD)]
        draft.refresh_from_db()
        assert (draft.taken_in, len(draft.rows)) == (None, 2000)
        self.upload(client, csv_of(*good), "mended.csv")
        mended = ImportDraft.objects.latest("pk")
        assert client.post(reverse("import_check", args=[mended.pk])).status_code == 302
        assert Instrument.objects.count() == Custody.objects.filter(ended_at=None, place="shelf").count() == 2000
        assert Instrument.objects.get(asset_tag="VN-0411").item.size == "1/2"

    def test_a_wrong_size_or_kind_is_told_once_where_the_prices_are_left_to_the_catalogue(self, shop):
        CatalogueItemFactory(kind_code="violin", maker="Harrow", model="V1", size="1/2")
        known = changed(VIOLIN, price="", value="")
        assert [column for _, column, _ in errors_of(changed(known, size="5/9"))] == ["Size"]
        assert [column for _, column, _ in errors_of(changed(known, kind="Violine x"))] == ["Kind of instrument"]

    def test_a_column_cannot_stand_for_two(self, client_as, shop):
        client = client_as("manager")
        self.upload(client, csv_of(FLUTE))
        draft = ImportDraft.objects.get()
        refused = self.settle(client, draft, column_maker="0")
        assert refused.status_code == 422
        assert "already stands for: Asset tag" in refused.content.decode()
        missing = self.settle(client, draft, column_maker="")
        assert "Choose the column that holds: Maker." in missing.content.decode()

    def test_a_file_that_is_no_table_is_refused_in_a_sentence(self, client_as, shop):
        refused = self.upload(client_as("manager"), b"PK\x03\x04nonsense", "fleet.xlsx")
        assert refused.status_code == 422
        assert "This workbook is damaged" in refused.content.decode()

    def test_defaults_hold_for_rows_that_leave_it_out(self, client_as, shop):
        client = client_as("manager")
        self.upload(client, csv_of(changed(FLUTE, location="", acquired="")))
        draft = ImportDraft.objects.get()
        self.settle(client, draft, location=shop.pk, acquired_on="2/1/2026")
        client.post(reverse("import_check", args=[draft.pk]))
        assert Instrument.objects.get().acquired_on == datetime.date(2026, 2, 1)

    def test_is_not_the_specialists(self, client_as):
        assert client_as("specialist").get(reverse("fleet_import")).status_code == 403
