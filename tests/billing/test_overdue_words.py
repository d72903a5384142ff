"""The manager's words stand in the letter and the mail that go out, and in the letter shown beforehand."""

import io
import re

import pytest
from django.urls import reverse
from django.utils import translation
from pypdf import PdfReader

from billing import overdue, overdue_words
from rentals.documents import operations as documents
from rentals.documents.models import Document, OutboxMessage
from rentals.documents.wording import operations as wording
from rentals.documents.wording.texts import Texts, put_into
from rentals.runtime import clock
from rentals.staff.operations import ensure_system_user
from tests.billing.test_overdue import day, noon, owing  # noqa: F401 - a fixture
from tests.documents import samples
from tests.factories import UserFactory

OURS = Texts(
    "A word about {total}", "Dear {name},\n\nplease look below.", "By {answer_by}, {office}.", "{name}: {total}, {answer_by}."
)


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
    assert "$26.65, " in message.body
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


THREATS = r"\b(legal action|court|lawyer|attorney|police|collection agency|credit bureau|must)\b"
"""What a friendly letter does not say, by the spirit of 15 U.S.C. 1692e(4), (5): no threat of what is not meant or cannot be."""


class TestStandardText:
    def written(self, step: int, language: str) -> str:
        with translation.override(language):
            page = samples.overdue(step=step)
            office = {"office": "Larkfield Rentals", "phone": "(312) 555-0101", "email": "office@rentals.example"}
            texts = overdue_words.standard(step).filled(office | overdue_words.values(page))
            page = put_into(page, texts)
            return " ".join([page.heading, *page.opening, *page.closing, texts.mail])

    @pytest.mark.parametrize(
        ("step", "said"), [(1, "may have slipped by"), (2, "past due"), (3, "before our manager looks at the account")]
    )
    def test_each_step_has_its_words_and_none_threatens(self, step, said):
        text = self.written(step, "en")
        assert said in text
        assert "$66.04" in text and "Dec 4, 2026" in text and "(312) 555-0101" in text
        assert not re.search(THREATS, text, re.IGNORECASE)

    @pytest.mark.parametrize("step", [1, 2, 3])
    def test_each_step_is_written_in_spanish_too(self, step):
        text = self.written(step, "es")
        assert "Estimado" in text or "Hola" in text
        assert not re.search(r"\b(the|your|please|account)\b", text, re.IGNORECASE)
