"""The manager's words stand in the letter and the mail that go out, and in the letter shown beforehand."""

import io

from django.urls import reverse
from pypdf import PdfReader

from billing import overdue
from rentals.documents import operations as documents
from rentals.documents.models import Document, OutboxMessage
from rentals.documents.wording import operations as wording
from rentals.documents.wording.texts import Texts
from rentals.runtime import clock
from rentals.staff.operations import ensure_system_user
from tests.billing.test_overdue import day, noon, owing  # noqa: F401 - a fixture
from tests.factories import UserFactory

OURS = Texts("A word about {total}", "Dear {name},\n\nplease look below.", "By {answer_by}, {office}.", "{name}: {total}.")


def put_in_force(language: str = "en") -> None:
    manager = UserFactory(role="manager")
    wording.publish(code="overdue/1", language=language, texts=OURS, note="", seen=0, acting_user=manager, now=noon(day(0)))


def words_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())


def test_the_letter_says_what_is_in_force(owing):  # noqa: F811 - the fixture
    put_in_force()
    overdue.take_overdue_steps(today=day(10), now=noon(day(10)), acting_user=ensure_system_user())
    message, document = OutboxMessage.objects.get(), Document.objects.get()
    assert message.subject == "A word about $26.65"
    assert "$26.65." in message.body
    made = documents.make_document(document_id=document.pk, now=noon(day(10)))
    said = words_of(bytes(made.content))
    assert "A word about $26.65" in said
    assert "please look below." in said
    assert "{" not in said


def test_another_language_keeps_its_own_words(owing):  # noqa: F811 - the fixture
    put_in_force("es")
    overdue.take_overdue_steps(today=day(10), now=noon(day(10)), acting_user=ensure_system_user())
    assert OutboxMessage.objects.get().subject == "A payment may have slipped by"


def test_it_is_shown_with_the_familys_own_figures_and_nothing_is_kept(owing, client_as, monkeypatch):  # noqa: F811
    monkeypatch.setattr(clock, "today", lambda: day(10))
    typed = {"heading": OURS.heading, "opening": OURS.opening, "closing": OURS.closing, "mail": OURS.mail, "seen": "0"}
    address = reverse("wording_show", args=["overdue-1", "en"])
    for number in (owing.number, ""):
        answer = client_as("manager").post(address, typed | {"household": number})
        assert answer["Content-Type"] == "application/pdf"
        assert "A word about $26.65" in words_of(answer.content)
    assert not Document.objects.exists()
    assert not OutboxMessage.objects.exists()
