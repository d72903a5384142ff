"""Print batches: fixed before they are paper, printed again after a jam, and counted as printed only by who looked at them."""

import io
import uuid

import pikepdf
import pypdf
import pytest
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, ProgrammingError, transaction
from django.urls import reverse

from rentals.documents import letters, outbox
from rentals.documents.models import Document, OutboxMessage, PrintBatch
from rentals.staff.models import User
from tests.documents.test_outbox import NOW, letter, queue
from tests.factories import BookkeeperFactory, SpecialistFactory


def make(*rows: OutboxMessage, key: uuid.UUID | None = None, by: User | None = None) -> PrintBatch:
    ids = [row.pk for row in rows]
    return letters.make_batch(message_ids=ids, request_key=key or uuid.uuid4(), acting_user=by or BookkeeperFactory(), now=NOW)


def text_of_page(content: bytes, number: int) -> str:
    return pypdf.PdfReader(io.BytesIO(content)).pages[number].extract_text()


def states() -> dict[str, str]:
    return dict(OutboxMessage.objects.values_list("key", "state"))


@pytest.fixture
def two(db) -> tuple[OutboxMessage, OutboxMessage]:
    return letter("far", address="1 Elm\nFar IL  62704"), letter("near", address="2 Oak\nNear IL  60601-0001")


class TestMakeBatch:
    def test_fixes_which_letters_in_which_order_and_numbers_itself(self, two):
        assert [make(two[0]).number, make(two[1]).number] == [1, 2]
        letters.dissolve(batch=PrintBatch.objects.get(number=2), acting_user=BookkeeperFactory(), now=NOW)
        three = make(two[1], letter("last", address="Nowhere"), letter("mid", address="3 Ash\nMid IL  61001"))
        assert list(three.letters.order_by("batch_position").values_list("key", flat=True)) == ["near", "mid", "last"]

    def test_leaves_out_what_is_not_made_and_what_lies_in_another(self, two):
        make(two[0])
        assert list(make(*two, letter("late", made=False), queue("mail")).letters.all()) == [two[1]]
        with pytest.raises(letters.NoLettersError):
            make(*two)

    def test_the_same_request_is_the_same_batch(self, two):
        key, bookkeeper = uuid.uuid4(), BookkeeperFactory()
        assert make(*two, key=key, by=bookkeeper) == make(*two, key=key, by=bookkeeper)
        assert PrintBatch.objects.count() == 1

    def test_refuses_who_may_not_send(self, two):
        batch = make(*two)
        for act in (letters.note_printed, letters.dissolve):
            with pytest.raises(PermissionDenied):
                act(batch=batch, acting_user=SpecialistFactory(), now=NOW)
        with pytest.raises(PermissionDenied):
            make(*two, by=SpecialistFactory())


class TestMakePdf:
    def test_is_a_cover_sheet_and_the_letters_as_archived_the_same_each_time(self, two):
        batch = make(*two)
        kept = letters.make_pdf(batch=batch, now=NOW)
        assert letters.make_pdf(batch=PrintBatch.objects.get(), now=NOW) == letters.make_pdf(batch=batch, now=NOW) == kept
        content = bytes(kept.content)
        with pikepdf.open(io.BytesIO(content)) as joined:
            assert len(joined.pages) == 3
        cover = text_of_page(content, 0)
        assert "2 letters to post" in cover
        assert cover.index("60601-0001") < cover.index("62704")
        assert text_of_page(content, 1) == text_of_page(bytes(Document.objects.get(key="letter/near").content), 0)
        assert set(states().values()) == {"to_print"}, "a PDF alone is no paper"

    def test_is_never_made_of_a_dissolved_batch(self, two):
        batch = make(*two)
        before = PrintBatch.objects.get()
        letters.dissolve(batch=batch, acting_user=BookkeeperFactory(), now=NOW)
        with pytest.raises(letters.BatchOverError):
            letters.make_pdf(batch=before, now=NOW)
        assert not Document.objects.filter(kind="batch").exists()


class TestEnd:
    def test_came_out_well_marks_its_letters_as_printed_once(self, two):
        batch, bookkeeper = make(*two), BookkeeperFactory()
        with pytest.raises(letters.BatchNotMadeError):
            letters.note_printed(batch=batch, acting_user=bookkeeper, now=NOW)
        letters.make_pdf(batch=batch, now=NOW)
        letters.note_printed(batch=batch, acting_user=bookkeeper, now=NOW)
        assert states() == {"far": "printed", "near": "printed"}
        for act in (letters.note_printed, letters.dissolve):
            with pytest.raises(letters.BatchOverError):
                act(batch=batch, acting_user=bookkeeper, now=NOW)

    def test_dissolved_its_letters_wait_again(self, two):
        batch = make(*two)
        letters.dissolve(batch=batch, acting_user=BookkeeperFactory(), now=NOW)
        assert states() == {"far": "to_print", "near": "to_print"}
        assert make(*two).letter_count == 2

    def test_a_letter_on_the_printer_is_not_cancelled(self, two):
        make(two[0])
        with pytest.raises(outbox.MessageCannotChangeError, match="dissolve the batch"):
            outbox.cancel_message(message=two[0], acting_user=BookkeeperFactory())
        assert outbox.cancel_message(message=two[1], acting_user=BookkeeperFactory()).state == "cancelled"


class TestTheDatabase:
    @pytest.mark.parametrize(
        ("changes", "constraint"),
        [
            ({"batch_position": 1}, "outbox_one_letter_a_place"),
            ({"batch_position": None}, "outbox_in_batch_is_a_letter"),
            ({"state": "cancelled"}, "outbox_in_batch_is_a_letter"),
        ],
    )
    def test_refuses_what_cannot_be(self, two, changes: dict, constraint: str):
        make(*two)
        with pytest.raises(IntegrityError, match=constraint), transaction.atomic():
            OutboxMessage.objects.update(**changes)

    @pytest.mark.parametrize(
        ("changes", "constraint"),
        [
            ({"state": "printed"}, "batch_ended_has_its_time"),
            ({"letter_count": 0}, "batch_has_letters"),
        ],
    )
    def test_refuses_a_batch_that_cannot_be(self, two, changes: dict, constraint: str):
        make(*two)
        with pytest.raises(IntegrityError, match=constraint), transaction.atomic():
            PrintBatch.objects.update(**changes)

    def test_lets_nobody_change_a_batch_that_is_over(self, two):
        letters.dissolve(batch=make(*two), acting_user=BookkeeperFactory(), now=NOW)
        with pytest.raises(ProgrammingError, match="Cannot update"), transaction.atomic():
            PrintBatch.objects.update(state="open", ended_at=None, ended_by=None)


class TestTwoPeople:
    def test_no_letter_is_in_two_batches(self, race):
        rows = [letter(f"k{number}") for number in range(6)]
        people = [BookkeeperFactory(), BookkeeperFactory()]
        outcomes = race(*[lambda person=person: make(*rows, by=person) for person in people])
        assert sorted(type(outcome).__name__ for outcome in outcomes) == ["NoLettersError", "PrintBatch"]
        assert OutboxMessage.objects.filter(batch=PrintBatch.objects.get()).count() == 6


class TestScreens:
    def test_from_the_ticked_letters_to_the_post(self, two, client_as):
        late = letter("late", made=False)
        client = client_as("bookkeeper")
        page = client.get("/outbox/letters/")
        assert "Some letters are not made yet" in page.content.decode()
        ids = {"letter": [row.pk for row in (*two, late)], "request_key": page.context["request_key"]}
        answer = client.post(reverse("batch_make"), ids, follow=True)
        assert client.post(reverse("batch_make"), ids).url == answer.redirect_chain[0][0], "a double click is one batch"
        assert "Open the PDF to print" in answer.content.decode()
        batch = PrintBatch.objects.get()
        first, again = (client.get(reverse("batch_pdf", args=[batch.pk])) for _ in range(2))
        assert first.content == again.content == bytes(batch.document.content)
        assert "no-store" in first["Cache-Control"]
        assert "Print batch 1" in client.get("/outbox/letters/").content.decode()
        said = client.post(reverse("batch_printed", args=[batch.pk]), follow=True).content.decode()
        assert "Noted: 2 letters printed." in said
        assert states() == {"far": "printed", "near": "printed", "late": "to_print"}
        assert "Came out well" in client.get(reverse("batches")).content.decode()
        assert "Somebody ended this batch before: came out well." in (
            client.post(reverse("batch_dissolve", args=[batch.pk]), follow=True).content.decode()
        )

    def test_dissolves_after_asking(self, two, client_as):
        batch, client = make(*two), client_as("bookkeeper")
        url = reverse("batch_dissolve", args=[batch.pk])
        assert "Dissolve this batch?" in client.get(url).content.decode()
        assert states() == {"far": "to_print", "near": "to_print"}
        assert "wait for the printer again" in client.post(url, follow=True).content.decode()

    def test_offers_to_make_a_pdf_that_did_not_come_about(self, two, client_as):
        batch, client = make(*two), client_as("bookkeeper")
        assert client.get(reverse("batch_pdf", args=[batch.pk])).status_code == 404
        assert "Make the PDF" in client.get(reverse("batch", args=[batch.pk])).content.decode()
        assert "Open the PDF" in client.post(reverse("batch_pdf_make", args=[batch.pk]), follow=True).content.decode()

    @pytest.mark.django_db
    def test_nothing_ticked_is_said_kindly(self, client_as):
        for ids in ({}, {"letter": ["x", "9" * 30]}):
            said = client_as("bookkeeper").post(reverse("batch_make"), ids, follow=True).content.decode()
            assert "None of these letters waits" in said

    def test_a_specialist_looks_and_changes_nothing(self, two, client_as):
        batch, client = make(*two), client_as("specialist")
        page = client.get(reverse("batch", args=[batch.pk])).content.decode()
        assert "Dissolve" not in page
        assert "Make the PDF" not in page

    def test_asks_the_database_as_often_for_many_as_for_one(self, client_as, django_assert_max_num_queries, db):
        rows = [letter("first")]
        for number in range(20):
            row = letter(f"k{number}", made=False)
            OutboxMessage.objects.filter(pk=row.pk).update(document=rows[0].document)
            rows.append(row)
        batch, client = make(*rows), client_as("bookkeeper")
        assert batch.letter_count == 21
        for url in (reverse("batch", args=[batch.pk]), "/outbox/letters/", "/outbox/batches/"):
            client.get(url)
            with django_assert_max_num_queries(11):
                client.get(url)
