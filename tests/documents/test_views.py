"""The screens of documents and the outbox."""

import pytest
from django.urls import reverse

from rentals.documents import kinds, operations, queries
from rentals.documents.models import Document, OutboxMessage
from rentals.staff.models import Role
from tests.documents import samples
from tests.documents.test_outbox import NOW, letter, queue

pytestmark = pytest.mark.django_db


@pytest.fixture
def made() -> Document:
    document = operations.ask_for_document(
        key="d", kind="agreement", about="agreement/17", title="Rental agreement A-000017", page=samples.agreement(), now=NOW
    )
    return operations.make_document(document_id=document.pk, now=NOW)


@pytest.fixture
def waiting() -> Document:
    return operations.ask_for_document(
        key="w", kind="overdue", about="household/3", title="Notice", page=samples.overdue(), now=NOW
    )


class TestDocumentPdf:
    def test_sends_the_archived_bytes_each_time(self, made, client_as):
        client = client_as("specialist")
        first, second = (client.get(reverse("document_pdf", args=[made.pk])) for _ in range(2))
        assert first.content == second.content == bytes(made.content)

    def test_a_template_changed_later_changes_nothing(self, made, client_as, monkeypatch: pytest.MonkeyPatch):
        monkeypatch.setattr("rentals.documents.pdf.render_to_string", lambda *_: "<p>another</p>")
        assert client_as("specialist").get(reverse("document_pdf", args=[made.pk])).content == bytes(made.content)

    def test_is_kept_by_no_cache_and_taken_for_nothing_else(self, made, client_as):
        client = client_as("specialist")
        shown, saved = client.get(reverse("document_pdf", args=[made.pk])), client.get(f"/documents/{made.pk}/pdf/?save=1")
        assert shown["Content-Disposition"] == 'inline; filename="agreement-17.pdf"'
        assert saved["Content-Disposition"] == 'attachment; filename="agreement-17.pdf"'
        for answer in (shown, saved):
            assert answer["Content-Type"] == "application/pdf"
            assert answer["X-Content-Type-Options"] == "nosniff"
            assert "no-store" in answer["Cache-Control"]

    def test_is_not_there_before_it_is_made(self, waiting, client_as):
        assert client_as("specialist").get(reverse("document_pdf", args=[waiting.pk])).status_code == 404

    @pytest.mark.parametrize("view", ["document", "document_state", "document_pdf"])
    def test_a_kind_one_may_not_see_does_not_exist(self, made, client_as, view: str, monkeypatch: pytest.MonkeyPatch):
        hidden = kinds.Kind("agreement", "Signed agreement", "documents/agreement.html", object, "staff.manage")
        monkeypatch.setitem(kinds.KINDS, "agreement", hidden)
        assert client_as("specialist").get(reverse(view, args=[made.pk])).status_code == 404

    @pytest.mark.parametrize("role", [Role.TECHNICIAN, Role.ADMINISTRATOR])
    def test_is_not_for_those_who_know_no_families(self, made, client_as, role: str):
        assert client_as(role).get(reverse("document_pdf", args=[made.pk])).status_code == 403


class TestDocument:
    def test_asks_again_until_it_is_made(self, waiting, client_as):
        client = client_as("specialist")
        url = reverse("document_state", args=[waiting.pk])
        assert f'hx-get="{url}"' in client.get(reverse("document", args=[waiting.pk])).content.decode()
        operations.make_document(document_id=waiting.pk, now=NOW)
        after = client.get(url).content.decode()
        assert "hx-get" not in after and "Open to print" in after

    def test_says_why_it_failed_and_makes_it_again(self, waiting, client_as):
        Document.objects.update(state="failed", attempts=5, last_error="The page could not be made (KeyError).")
        client = client_as("specialist")
        page = client.get(reverse("document", args=[waiting.pk])).content.decode()
        assert "The page could not be made (KeyError)." in page and "Make it again" in page
        client.post(reverse("document_make_again", args=[waiting.pk]))
        waiting.refresh_from_db()
        assert (waiting.state, waiting.attempts) == ("waiting", 0)

    def test_is_not_made_again_by_a_link(self, waiting, client_as):
        assert client_as("specialist").get(reverse("document_make_again", args=[waiting.pk])).status_code == 405


class TestOutbox:
    def test_filters_stand_in_the_address(self, client_as):
        queue("a", subject="First")
        queue("b", subject="Second", to_name="Hollis Quill")
        OutboxMessage.objects.filter(key="b").update(state="failed")
        client = client_as("specialist")
        for query, shown in (
            ("", {"First", "Second"}),
            ("?state=failed", {"Second"}),
            ("?text=quill", {"Second"}),
            ("?kind=cleaning", set()),
            ("?state=nonsense", set()),
        ):
            page = client.get(f"/outbox/{query}").content.decode()
            assert {word for word in ("First", "Second") if f">{word}</a>" in page} == shown, query

    def test_shows_what_failed_and_what_is_to_be_printed(self, client_as):
        letter()
        queue("b")
        OutboxMessage.objects.filter(key="b").update(state="failed")
        page = client_as("specialist").get("/outbox/").content.decode()
        assert "1 mail was not sent or came back." in page and "1 letter waits for the printer." in page
        Document.objects.create(
            key="f", kind="overdue", about="household/1", title="Gone wrong", payload={}, state="failed", asked_at=NOW
        )
        assert "Gone wrong" in client_as("specialist").get("/outbox/").content.decode()
        assert queries.count_failed() == 2

    def test_asks_the_database_as_often_for_many_as_for_one(self, client_as, django_assert_max_num_queries):
        client = client_as("bookkeeper")
        for number in range(30):
            queue(f"k/{number}")
        client.get("/outbox/")
        with django_assert_max_num_queries(11):
            client.get("/outbox/")

    def test_a_message_tells_to_whom_why_and_what_became_of_it(self, client_as):
        message = queue()
        OutboxMessage.objects.update(state="failed", attempts=5, last_error="The mail server did not take it.")
        page = client_as("specialist").get(reverse("outbox_message", args=[message.pk])).content.decode()
        for said in ("Maren Oldacre", "maren@example.com", "Overdue notice", "The mail server did not take it.", "Failed"):
            assert said in page
        assert "Try again" not in page, "a specialist sees, and does not send"

    def test_the_bookkeeper_tries_again_or_cancels(self, client_as):
        first, second = queue("a"), queue("b")
        OutboxMessage.objects.update(state="failed", attempts=5)
        client = client_as("bookkeeper")
        assert "Try again" in client.get(reverse("outbox_message", args=[first.pk])).content.decode()
        client.post(reverse("outbox_send", args=[first.pk]))
        assert "Cancel this message?" in client.get(reverse("outbox_cancel", args=[second.pk])).content.decode()
        client.post(reverse("outbox_cancel", args=[second.pk]))
        assert dict(OutboxMessage.objects.values_list("key", "state")) == {"a": "queued", "b": "cancelled"}

    def test_says_so_when_it_has_gone_out_meanwhile(self, client_as):
        message = queue()
        OutboxMessage.objects.update(state="sent", sent_at=NOW)
        client = client_as("bookkeeper")
        assert "cannot be sent anew" in client.post(reverse("outbox_send", args=[message.pk]), follow=True).content.decode()
        assert "no longer be cancelled" in client.post(reverse("outbox_cancel", args=[message.pk]), follow=True).content.decode()

    def test_the_specialist_neither_sends_nor_cancels(self, client_as):
        message = queue()
        client = client_as("specialist")
        for name in ("outbox_send", "outbox_cancel"):
            assert client.post(reverse(name, args=[message.pk])).status_code == 403
