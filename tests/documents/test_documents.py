"""Documents: asked for once, made once, kept as they were made."""

import datetime
import hashlib

import psycopg
import pytest
from django.db import DatabaseError, transaction

from rentals.documents import operations
from rentals.documents.codec import PayloadError, from_payload, to_payload
from rentals.documents.models import Document
from rentals.documents.pdf import CannotMakePdfError
from rentals.jobs import leases
from tests.conftest import raw_connection
from tests.documents import samples

NOW = datetime.datetime(2026, 11, 24, 16, 0, tzinfo=datetime.UTC)
LATER = NOW + datetime.timedelta(hours=1)


def ask(kind: str = "overdue", key: str = "overdue/1/1", **changes) -> Document:
    page = samples.EVERY_KIND[kind](**changes)
    return operations.ask_for_document(key=key, kind=kind, about="household/1", title="A letter", page=page, now=NOW)


class TestCodec:
    @pytest.mark.parametrize("kind", samples.EVERY_KIND)
    def test_a_page_comes_back_as_it_went(self, kind: str):
        page = samples.EVERY_KIND[kind]()
        assert from_payload(type(page), to_payload(page)) == page

    def test_refuses_what_does_not_fit(self):
        payload = to_payload(samples.overdue())
        for wrong in ({**payload, "total": "many"}, {**payload, "more": 1}, {k: v for k, v in payload.items() if k != "step"}):
            with pytest.raises(PayloadError):
                from_payload(type(samples.overdue()), wrong)

    def test_refuses_a_float(self):
        with pytest.raises(PayloadError, match="float"):
            to_payload(samples.overdue(total=66.04))


@pytest.mark.django_db
class TestAskForDocument:
    def test_asked_twice_is_one_document_as_first_asked(self):
        first = ask()
        assert ask(step=3).pk == first.pk
        assert Document.objects.get().payload["page"]["step"] == 1

    def test_refuses_a_page_of_another_kind(self):
        with pytest.raises(PayloadError, match="shows a AgreementPage"):
            operations.ask_for_document(
                key="x", kind="agreement", about="agreement/1", title="x", page=samples.overdue(), now=NOW
            )


@pytest.mark.django_db
class TestMakeDocument:
    def test_keeps_the_bytes_and_their_sha256(self):
        made = operations.make_document(document_id=ask().pk, now=NOW)
        assert made.state == Document.State.MADE
        assert bytes(made.content).startswith(b"%PDF-")
        assert made.sha256 == hashlib.sha256(made.content).hexdigest()
        assert made.made_at == NOW

    def test_made_twice_is_made_once(self):
        document = ask()
        operations.make_document(document_id=document.pk, now=NOW)
        assert operations.make_document(document_id=document.pk, now=LATER) is None

    def test_a_document_that_is_gone_is_nothing_to_do(self):
        assert operations.make_document(document_id=987654, now=NOW) is None

    def test_another_workers_document_is_left_alone_as_long_as_that_worker_lives(self):
        document = ask()
        Document.objects.update(claimed_at=NOW, attempts=1)
        with raw_connection(as_owner=False) as other:
            other.execute("SELECT pg_advisory_lock(%s, %s)", [leases.DOCUMENTS, document.pk])
            assert operations.make_document(document_id=document.pk, now=NOW + datetime.timedelta(hours=4)) is None
            other.execute("SELECT pg_advisory_unlock(%s, %s)", [leases.DOCUMENTS, document.pk])
        made = operations.make_document(document_id=document.pk, now=NOW + datetime.timedelta(seconds=1))
        assert (made.state, made.attempts) == (Document.State.MADE, 2)

    def test_what_was_left_behind_five_times_is_given_up(self):
        document = ask()
        Document.objects.update(claimed_at=NOW, attempts=5)
        given_up = operations.make_document(document_id=document.pk, now=LATER)
        assert (given_up.state, given_up.last_error) == (Document.State.FAILED, operations.LEFT_BEHIND)

    def test_a_worker_whose_claim_went_stale_changes_nothing(self, monkeypatch: pytest.MonkeyPatch):
        document = ask()
        real = operations.render_pdf

        def slow(**options):
            if options["language"] == "en":
                Document.objects.update(language="es", claimed_at=NOW - operations.SILENT)
                operations.make_document(document_id=document.pk, now=LATER)
            return real(**options)

        monkeypatch.setattr(operations, "render_pdf", slow)
        assert operations.make_document(document_id=document.pk, now=NOW) is None
        assert Document.objects.get().made_at == LATER

    def test_a_failure_is_kept_waited_for_and_given_up_after_five(self, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.setattr(operations, "render_pdf", lambda **_: 1 / 0)
        document, now = ask(), NOW
        for attempt in range(1, 6):
            after = operations.make_document(document_id=document.pk, now=now)
            assert (after.attempts, after.last_error) == (attempt, "The page could not be made (ZeroDivisionError).")
            if attempt < 5:
                assert after.state == Document.State.WAITING
                assert operations.make_document(document_id=document.pk, now=now) is None, "it waits first"
                now = after.next_try_at
        assert after.state == Document.State.FAILED

    def test_a_payload_that_cannot_be_read_is_given_up_at_once(self):
        document = ask()
        Document.objects.update(payload={"office": {}, "page": {}})
        assert operations.make_document(document_id=document.pk, now=NOW).state == Document.State.FAILED

    def test_without_pango_it_waits_and_says_what_to_install(self, monkeypatch: pytest.MonkeyPatch):
        def no_pango(**_):
            raise CannotMakePdfError("PDFs cannot be made on this machine yet: install Pango.")

        document = ask()
        with monkeypatch.context() as patch:
            patch.setattr(operations, "render_pdf", no_pango)
            after = operations.make_document(document_id=document.pk, now=NOW)
        assert (after.state, after.attempts) == (Document.State.WAITING, 0)
        assert "install Pango" in after.last_error
        assert operations.make_document(document_id=document.pk, now=LATER).state == Document.State.MADE


@pytest.mark.django_db
class TestMakeAgain:
    def test_lets_a_failed_one_be_tried_from_the_start(self):
        document = ask()
        Document.objects.update(state="failed", attempts=5, last_error="x")
        again = operations.make_again(document=document, now=LATER)
        assert (again.state, again.attempts, again.last_error) == ("waiting", 0, "")
        assert operations.make_document(document_id=document.pk, now=LATER).state == Document.State.MADE

    def test_never_makes_a_made_one_again(self):
        document = ask()
        operations.make_document(document_id=document.pk, now=NOW)
        with pytest.raises(operations.DocumentMadeAlreadyError):
            operations.make_again(document=document, now=LATER)


@pytest.mark.django_db
class TestTheDatabase:
    def test_refuses_to_change_or_delete_what_was_made(self):
        operations.make_document(document_id=ask().pk, now=NOW)
        for statement in ({"title": "Another"}, {"content": b"x", "sha256": hashlib.sha256(b"x").hexdigest()}, {"payload": {}}):
            with pytest.raises(DatabaseError, match="Cannot update or delete"), transaction.atomic():
                Document.objects.update(**statement)
        with pytest.raises(DatabaseError, match="Cannot update or delete"), transaction.atomic():
            Document.objects.all().delete()

    def test_refuses_a_digest_that_is_not_of_the_content(self, app_cursor: psycopg.Cursor):
        with pytest.raises(psycopg.errors.CheckViolation, match="document_sha256_is_of_content"):
            app_cursor.execute(
                "INSERT INTO documents_document (key, kind, about, title, language, payload, state, content, sha256, asked_at, "
                "made_at, attempts, last_error) "
                "VALUES ('k', 'overdue', 'a', 't', 'en', '{}', 'made', 'abc', %s, now(), now(), 1, '')",
                ["0" * 64],
            )
