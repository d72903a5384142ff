"""Labels on the office's screens: who needs one, what is printed where, what did not come out, and how printers are set up."""

import datetime
import io
import uuid
from decimal import Decimal

import pypdfium2
import pytest
import zxingcpp
from django.db import IntegrityError, transaction
from django.urls import reverse

from rentals.inventory.labelling.lengths import read_length
from rentals.inventory.labelling.reference import ensure_layouts
from rentals.inventory.models import Delivery, FleetImport, LabelLayout, LabelPrint, LabelPrinter, PrintedLabel
from rentals.inventory.operations import labels as operations
from rentals.inventory.queries import labels as queries
from rentals.staff.operations import RequestKeyReusedError
from tests.factories import TechnicianFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, LocationFactory

pytestmark = pytest.mark.django_db
NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)


def thirty() -> LabelLayout:
    return LabelLayout.objects.get(columns=3, rows=10)


def printed(*instruments, **more) -> LabelPrint:
    facts = {
        "request_key": uuid.uuid4(), "layout": thirty(), "printer": None, "starts_at": 1, "acting_user": TechnicianFactory(),
        "now": NOW,
    }  # fmt: skip
    return operations.print_labels(instruments=[unit.pk for unit in instruments], **(facts | more))


def tags(units) -> list[str]:
    return [unit.asset_tag for unit in units]


class TestPrintLabels:
    def test_keeps_the_order_once_each_and_the_tag_as_it_was(self):
        first, second = InstrumentFactory(asset_tag="FL-2"), InstrumentFactory()
        made = printed(second, first, second)
        assert list(made.labels.values_list("place", "instrument_id", "asset_tag")) == [
            (1, second.pk, second.asset_tag),
            (2, first.pk, "FL-2"),
        ]

    def test_sent_again_it_is_the_same_print_and_with_other_contents_it_is_refused(self):
        unit, key, person = InstrumentFactory(), uuid.uuid4(), TechnicianFactory()
        made = printed(unit, request_key=key, acting_user=person)
        assert printed(unit, request_key=key, acting_user=person) == made
        with pytest.raises(RequestKeyReusedError):
            printed(unit, request_key=key, acting_user=person, starts_at=2)
        assert LabelPrint.objects.count() == 1

    @pytest.mark.parametrize("place", [0, 31])
    def test_refuses_a_place_the_sheet_has_not(self, place):
        with pytest.raises(operations.NoSuchPlaceError, match="30 labels"):
            printed(InstrumentFactory(), starts_at=place)

    def test_refuses_nothing_and_too_many(self, monkeypatch):
        with pytest.raises(operations.NothingToLabelError):
            printed()
        monkeypatch.setattr(operations, "MOST_LABELS", 1)
        with pytest.raises(operations.NothingToLabelError, match="At most 1"):
            printed(InstrumentFactory(), InstrumentFactory())
        assert not LabelPrint.objects.exists()


class TestNeverLabelled:
    def test_leaves_out_what_has_its_label_and_what_is_gone(self):
        waits, has = InstrumentFactory(), InstrumentFactory()
        for place in ("sold", "retired", "lost"):
            InstrumentFactory(place=place)
        printed(has)
        assert list(queries.list_never_labelled()) == [waits]

    def test_a_print_that_did_not_come_out_does_not_count_until_it_does_after_all(self):
        unit, person = InstrumentFactory(), TechnicianFactory()
        made = printed(unit)
        operations.take_back_print(label_print=made, acting_user=person, now=NOW)
        assert list(queries.list_never_labelled()) == [unit]
        assert queries.get_last_label(unit) is None
        with pytest.raises(operations.PrintMovedOnError):
            operations.take_back_print(label_print=made, acting_user=person, now=NOW)
        operations.count_print_again(label_print=made, acting_user=person)
        assert not queries.list_never_labelled()
        assert queries.get_last_label(unit).label_print == made
        with pytest.raises(operations.PrintMovedOnError):
            operations.count_print_again(label_print=made, acting_user=person)

    def test_a_new_tag_needs_a_new_label(self):
        unit = InstrumentFactory()
        printed(unit)
        unit.asset_tag = "NEW-1"
        unit.save(update_fields=["asset_tag"])
        assert tags(queries.list_never_labelled()) == ["NEW-1"]


class TestNextPlace:
    def test_goes_on_where_the_last_sheet_ended(self):
        units = [InstrumentFactory() for _ in range(4)]
        assert queries.next_place(thirty()) == 1
        made = printed(*units, starts_at=29)
        assert queries.next_place(thirty()) == 3
        operations.take_back_print(label_print=made, acting_user=TechnicianFactory(), now=NOW)
        assert queries.next_place(thirty()) == 1
        printed(*units[:2], starts_at=29)
        assert queries.next_place(thirty()) == 1


class TestChoosing:
    def chosen(self, client_as, query: str) -> list[str]:
        response = client_as("specialist").get(f"{reverse('labels_print')}?{query}")
        assert response.status_code == 200
        return tags(response.context["chosen"].instruments)

    def test_by_each_way(self, client_as):
        flute = InstrumentFactory(asset_tag="FL-1042", item=CatalogueItemFactory(kind_code="flute"))
        taken = FleetImport.objects.create(
            file_name="fleet.csv", sha256="0" * 64, mapping={}, row_count=1, imported_at=NOW, imported_by=TechnicianFactory()
        )
        InstrumentFactory(asset_tag="CL-7", fleet_import=taken)
        delivery = Delivery.objects.create(location=LocationFactory(), received_at=NOW, received_by=TechnicianFactory())
        violin = InstrumentFactory(asset_tag="VN-9", delivery=delivery)
        InstrumentFactory(asset_tag="GONE-1", place="sold")
        InstrumentFactory(asset_tag="AWAY-1", place="nowhere")
        printed(flute)
        for query, found in {
            "which=never": ["AWAY-1", "CL-7", "VN-9"],
            "kind=flute": ["FL-1042"],
            "": ["AWAY-1", "CL-7", "FL-1042", "VN-9"],
            "place=sold": ["GONE-1"],
            f"import={taken.pk}": ["CL-7"],
            f"delivery={delivery.pk}": ["VN-9"],
            f"instruments={violin.pk},{flute.pk},999999999,x": ["VN-9", "FL-1042"],
            "import=x": ["AWAY-1", "CL-7", "FL-1042", "VN-9"],
        }.items():
            assert self.chosen(client_as, query) == found, query

    def test_the_list_of_instruments_leads_here_with_its_filters(self, client_as):
        InstrumentFactory(asset_tag="FL-1042")
        InstrumentFactory(asset_tag="CL-7")
        client = client_as("technician")
        page = client.get(f"{reverse('instruments')}?text=1042")
        (action,) = [each for each in page.context["actions"] if each["label"] == "Print labels of these"]
        assert tags(client.get(action["url"]).context["chosen"].instruments) == ["FL-1042"]

    def test_more_than_are_printed_at_once_are_told(self, client_as, monkeypatch):
        monkeypatch.setattr(operations, "MOST_LABELS", 2)
        units = [InstrumentFactory(asset_tag=f"FL-{number}") for number in (1, 2, 3)]
        client = client_as("specialist")
        for query in ("which=never", f"instruments={','.join(str(unit.pk) for unit in units)}"):
            page = client.get(f"{reverse('labels_print')}?{query}")
            assert "At most 2 labels are printed at once: these are the first of 3." in page.content.decode()
            assert tags(page.context["chosen"].instruments) == ["FL-1", "FL-2"]

    def test_by_scanning_one_after_the_other(self, client_as):
        units = [InstrumentFactory(asset_tag=tag) for tag in ("FL-1042", "CL-7")]
        client = client_as("specialist")
        response = client.post(reverse("labels_scanned"), {"tags": "]C1cl-7\r\nFL–1042,\r\n cl-7\r\n"})
        assert response["Location"] == f"{reverse('labels_print')}?instruments={units[1].pk}%2C{units[0].pk}"
        refused = client.post(reverse("labels_scanned"), {"tags": "FL-1042\nFL-9999"})
        assert refused.status_code == 422
        text = refused.content.decode()
        assert "No instrument has the tag FL-9999." in text
        assert "FL-1042\nFL-9999" in text, "nothing that was scanned is lost"
        assert "cannot be asset tags: !" in client.post(reverse("labels_scanned"), {"tags": "FL-1042\n!"}).content.decode()

    def test_costs_the_same_however_many_there_are(self, client_as, django_assert_max_num_queries):
        for _ in range(40):
            InstrumentFactory()
        printed(InstrumentFactory(), printer=LabelPrinter.objects.create(name="Roll"))
        client = client_as("manager")
        for address in (
            reverse("labels"),
            f"{reverse('labels_print')}?which=never",
            reverse("label_print", args=[LabelPrint.objects.get().pk]),
        ):
            with django_assert_max_num_queries(12):
                assert client.get(address).status_code == 200


class TestPrinting:
    def test_from_the_page_to_a_pdf_that_is_read(self, client_as):
        unit = InstrumentFactory(asset_tag="VN-1042", item=CatalogueItemFactory(kind_code="violin", size="3/4"), place="family",
                                 place__household=HouseholdFactory(name="Quillfeather"))  # fmt: skip
        client = client_as("specialist")
        page = client.get(f"{reverse('labels_print')}?instruments={unit.pk}")
        form = page.context["form"]
        data = {name: form[name].value() or "" for name in ("request_key", "instruments", "layout", "printer")}
        made = client.post(reverse("labels_print"), data | {"starts_at": "7"})
        found = LabelPrint.objects.get()
        assert made["Location"] == reverse("label_print", args=[found.pk])
        assert (found.starts_at, found.printed_by) == (7, client.user)
        answer = client.get(reverse("label_print_pdf", args=[found.pk]))
        assert (answer["Content-Type"], answer["X-Content-Type-Options"]) == ("application/pdf", "nosniff")
        with pypdfium2.PdfDocument(io.BytesIO(answer.content)) as document:
            text = document[0].get_textpage().get_text_bounded()
            codes = zxingcpp.read_barcodes(document[0].render(scale=203 / 72).to_pil())
        assert sorted(code.text for code in codes) == ["VN-1042", "VN-1042"]
        assert "Violin 3/4" in text
        assert "Quillfeather" not in text

    def test_sent_twice_prints_once(self, client_as):
        unit = InstrumentFactory()
        client = client_as("technician")
        data = {"request_key": uuid.uuid4(), "instruments": unit.pk, "layout": thirty().pk, "printer": "", "starts_at": 1}
        first, second = client.post(reverse("labels_print"), data), client.post(reverse("labels_print"), data)
        assert first["Location"] == second["Location"]
        assert PrintedLabel.objects.count() == 1

    def test_says_what_is_missing_and_keeps_what_was_chosen(self, client_as):
        unit = InstrumentFactory(asset_tag="FL-1042")
        client = client_as("technician")
        data = {"request_key": uuid.uuid4(), "instruments": unit.pk, "layout": thirty().pk, "printer": ""}
        for place, sentence in (("", "Choose the first label that is still on the sheet."), ("31", "This sheet has 30 labels")):
            refused = client.post(reverse("labels_print"), data | {"starts_at": place})
            assert refused.status_code == 422
            assert sentence in refused.content.decode()
            assert "FL-1042" in refused.content.decode()
        assert "choose others on the page of labels" in client.post(reverse("labels_print"), {}).content.decode()

    def test_did_not_come_out_and_did_after_all(self, client_as):
        made = printed(InstrumentFactory())
        client = client_as("specialist")
        take_back, page = reverse("label_print_take_back", args=[made.pk]), reverse("label_print", args=[made.pk])
        client.post(take_back)
        assert "They came out after all" in client.get(page).content.decode()
        client.post(take_back, {"again": "1"})
        assert "They did not come out" in client.get(page).content.decode()

    def test_an_office_without_sheets_is_told_what_to_do(self, client_as):
        unit = InstrumentFactory()
        LabelLayout.objects.update(is_active=False)
        text = client_as("manager").get(f"{reverse('labels_print')}?instruments={unit.pk}").content.decode()
        assert "No sheet is set up to print labels on." in text
        assert "Make the PDF" not in text


LAYOUT = {
    "name": "Six to a card", "page_width": "6 in", "page_height": "4 in", "columns": "2", "rows": "3", "label_width": "2 5/8 in",
    "label_height": "1 in", "margin_left": "0.25 in", "margin_top": "1/2 in", "pitch_x": "2 7/8 in", "pitch_y": "",
    "is_active": "on",
}  # fmt: skip


class TestSetUp:
    def test_the_first_layouts_are_written_once_and_never_over_the_offices_own(self):
        assert {layout.labels_per_page for layout in LabelLayout.objects.all()} == {30, 24, 10, 1}
        LabelLayout.objects.exclude(pk=thirty().pk).delete()
        ensure_layouts()
        assert LabelLayout.objects.count() == 1

    def test_a_sheet_is_added_in_inches_and_kept_in_millimetres(self, client_as):
        assert client_as("technician").post(reverse("label_layout_add"), LAYOUT).status_code == 302
        added = LabelLayout.objects.get(name="Six to a card")
        assert (added.label_width, added.margin_top, added.pitch_x) == (Decimal("66.675"), Decimal("12.700"), Decimal("73.025"))
        assert added.pitch_y == added.label_height

    @pytest.mark.parametrize(
        ("changes", "sentence"),
        [
            ({"label_width": "wide"}, "Write a length in millimetres, like 66.7, or in inches, like 2 5/8 in."),
            ({"label_width": "5 mm"}, "Write a length from 20 to 500 mm: this is 5."),
            ({"pitch_x": "1 in"}, "the labels would lie on each other"),
            ({"rows": "9"}, "beyond the page: measure again"),
            ({"name": "30 to a letter sheet, 2 5/8 x 1 in"}, "There is one called"),
        ],
    )
    def test_a_sheet_that_cannot_be_is_refused_beside_its_field(self, client_as, changes, sentence):
        refused = client_as("technician").post(reverse("label_layout_add"), LAYOUT | changes)
        assert refused.status_code == 422
        assert sentence in refused.content.decode()

    def test_two_who_change_the_same_printer_are_told(self, client_as):
        printer = LabelPrinter.objects.create(name="Roll")
        data = {
            "name": "Roll",
            "dots_per_inch": "203",
            "offset_x": "-0.8",
            "offset_y": "1/16 in",
            "is_active": "on",
            "version": "1",
        }
        data |= {"scale_x": "100", "scale_y": "100.5"}
        url = reverse("label_printer_change", args=[printer.pk])
        client = client_as("technician")
        assert client.post(url, data).status_code == 302
        printer.refresh_from_db()
        assert (printer.offset_x, printer.offset_y, printer.version) == (Decimal("-0.800"), Decimal("1.588"), 2)
        refused = client.post(url, data | {"offset_x": "2"})
        assert refused.status_code == 422
        assert "Somebody else changed this meanwhile." in refused.content.decode()
        assert client.post(url, data | {"offset_x": "2", "version": "2"}).status_code == 302

    def test_what_was_shown_can_be_sent_back_as_it_stands(self, client_as):
        printer = LabelPrinter.objects.create(name="Roll", offset_x=Decimal("-0.8"), layout=thirty())
        client = client_as("technician")
        for url in (reverse("label_printer_change", args=[printer.pk]), reverse("label_layout_change", args=[thirty().pk])):
            form = client.get(url).context["form"]
            data = {name: form[name].value() for name in form.fields if form[name].value() not in (None, False)}
            assert client.post(url, data).status_code == 302, url
        assert LabelPrinter.objects.get().offset_x == Decimal("-0.8")

    def test_calibration_works_out_what_to_correct(self, client_as):
        printer = LabelPrinter.objects.create(name="Roll", offset_x=3, layout=thirty())
        client = client_as("technician")
        url = f"{reverse('label_calibrate', args=[printer.pk])}?layout={thirty().pk}"
        measured = {"first_x": "21.5", "first_y": "19", "second_x": "196.5", "second_y": "258", "version": "1"}
        assert client.post(url, measured).status_code == 302
        printer.refresh_from_db()
        assert (printer.offset_x, printer.offset_y, printer.scale_x) == (Decimal("-1.5"), Decimal("1.0"), Decimal("100"))

    @pytest.mark.parametrize(
        ("changes", "sentence"),
        [
            ({"second_x": "10"}, "to the right of the first and below it: measure again"),
            ({"second_x": "170"}, "print it at actual size (100%)"),
            ({"first_x": "60", "second_x": "235"}, "more than 20 mm beside"),
            ({"first_y": ""}, "Fill in"),
        ],
    )
    def test_calibration_refuses_what_no_printer_does(self, client_as, changes, sentence):
        printer = LabelPrinter.objects.create(name="Roll", layout=thirty())
        measured = {"first_x": "20", "first_y": "20", "second_x": "195", "second_y": "259", "version": "1"}
        refused = client_as("technician").post(reverse("label_calibrate", args=[printer.pk]), measured | changes)
        assert refused.status_code == 422
        assert sentence in refused.content.decode()

    def test_both_sheets_of_the_calibration_are_made(self, client_as):
        printer = LabelPrinter.objects.create(name="Roll", layout=thirty())
        client = client_as("technician")
        for query in ("", "?check=1"):
            answer = client.get(reverse("label_calibration_pdf", args=[printer.pk]) + query)
            assert answer.content.startswith(b"%PDF")


class TestTheDatabase:
    @pytest.mark.parametrize(
        "change",
        [
            {"columns": 0}, {"columns": 4}, {"pitch_x": 60}, {"label_width": 19}, {"page_height": 200}, {"margin_left": -1},
        ],
        ids=lambda change: next(iter(change)),
    )  # fmt: skip
    def test_refuses_a_sheet_that_cannot_be(self, change):
        with pytest.raises(IntegrityError), transaction.atomic():
            LabelLayout.objects.filter(pk=thirty().pk).update(**change)

    @pytest.mark.parametrize(
        "change", [{"offset_x": 21}, {"scale_y": 94}, {"dots_per_inch": 72}], ids=lambda change: next(iter(change))
    )
    def test_refuses_a_printer_that_cannot_be(self, change):
        with pytest.raises(IntegrityError), transaction.atomic():
            LabelPrinter.objects.create(name="Roll", **change)

    def test_refuses_two_labels_at_one_turn_and_a_print_taken_back_by_nobody(self):
        made = printed(InstrumentFactory())
        with pytest.raises(IntegrityError), transaction.atomic():
            PrintedLabel.objects.create(label_print=made, instrument=InstrumentFactory(), asset_tag="X-1", place=1)
        with pytest.raises(IntegrityError), transaction.atomic():
            LabelPrint.objects.filter(pk=made.pk).update(taken_back_at=NOW)


@pytest.mark.parametrize(
    ("text", "length"),
    [
        ("66.7", "66.700"),
        ("66,7 mm", "66.700"),
        ("2 5/8 in", "66.675"),
        ('1"', "25.400"),
        ("−1.5", "-1.500"),
        ("1/16 in", "1.588"),
    ],
)
def test_lengths_are_read_as_people_write_them(text, length):
    """An inch is 25.4 mm exactly (international yard and pound agreement of 1959)."""
    assert read_length(text) == Decimal(length)


@pytest.mark.parametrize("text", ["", "wide", "1/0 in", "5 ft", "1e3", "--2", "12345678"])
def test_what_is_no_length_is_none(text):
    assert read_length(text) is None
