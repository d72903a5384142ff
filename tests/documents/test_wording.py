"""The words of letters: filled, shown, changed, taken up again; and the letter that goes out says what is in force."""

from dataclasses import replace

import psycopg
import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from rentals.documents import pages
from rentals.documents.models import WordingVersion
from rentals.documents.operations import ask_for_document
from rentals.documents.wording import operations
from rentals.documents.wording.registry import OFFICE_SLOTS, WORDINGS, PlaceMissingError
from rentals.documents.wording.texts import Texts, has_lone_brace, paragraphs, unknown_slots
from rentals.runtime import clock
from tests.documents import samples
from tests.factories import UserFactory
from tests.families.factories import HouseholdFactory

CODE = "overdue/1"
OURS = Texts(
    "A word about {total}",
    "Dear {name},\n\nplease look below.",
    "By {answer_by}.",
    "Dear {name}: {total}, {answer_by}.\n\n{office}",
)


def publish(texts=OURS, seen=0, code=CODE, language="en", user=None):
    user = user or UserFactory(role="manager")
    return operations.publish(
        code=code, language=language, texts=texts, note="Shorter", seen=seen, acting_user=user, now=clock.now()
    )


class TestTexts:
    @given(st.text(), st.dictionaries(st.sampled_from(["name", "total"]), st.text(alphabet="abc {}")))
    def test_what_is_filled_in_is_never_filled_again(self, text, values):
        plain = text.replace("{", "").replace("}", "")
        once = Texts(plain + "{name}", "", "", "").filled(values).heading
        assert once == plain + values.get("name", "{name}")

    def test_names_what_is_no_place(self):
        assert unknown_slots("{name} {sum} {sum} {}", ["name"]) == ["sum", ""]
        assert has_lone_brace("a } b")
        assert not has_lone_brace("{name}")

    def test_parts_paragraphs_at_empty_lines(self):
        assert paragraphs("\n a\nb\n \n\nc ") == ("a b", "c")


@pytest.mark.django_db
class TestStandardTexts:
    @pytest.mark.parametrize("language", ["en", "es"])
    @pytest.mark.parametrize("code", sorted(WORDINGS))
    def test_every_letter_has_one_with_known_places_only(self, code, language):
        texts = operations.standard_texts(code, language)
        assert WORDINGS[code].list_missing(texts) == []
        for part in (getattr(texts, name) for name in WORDINGS[code].parts):
            assert part
            assert unknown_slots(part, {**WORDINGS[code].slots, **OFFICE_SLOTS}) == []
            assert not has_lone_brace(part)
            assert "%(" not in part


@pytest.mark.django_db
class TestPublish:
    def test_puts_words_in_force_and_keeps_the_earlier(self):
        first = publish()
        second = publish(replace(OURS, heading="Two"), seen=1)
        assert operations.get_texts(CODE, "en").heading == "Two"
        assert operations.get_texts(CODE, "es") == operations.standard_texts(CODE, "es")
        assert (first.number, second.number) == (1, 2)
        assert WordingVersion.objects.get(number=1).heading == OURS.heading

    @pytest.mark.parametrize("code", sorted(code for code, wording in WORDINGS.items() if wording.must + wording.mail_must))
    def test_refuses_words_that_lack_what_the_family_must_be_told(self, code):
        """Whichever place is taken out, of the letter or of its mail; and then nothing is kept."""
        wording, whole = WORDINGS[code], operations.standard_texts(code, "en")
        bare = [("closing", slot) for slot in wording.must if "closing" in wording.parts]
        bare += [("mail", slot) for slot in wording.must + wording.mail_must if "mail" in wording.parts]
        assert bare
        for part, slot in bare:
            names = ("opening", "closing") if part == "closing" else ("mail",)
            less = replace(whole, **{name: getattr(whole, name).replace("{" + slot + "}", "it") for name in names})
            with pytest.raises(PlaceMissingError, match="{" + slot + "}"):
                publish(less, code=code)
        assert not WordingVersion.objects.exists()
        assert publish(whole, code=code).number == 1

    def test_refuses_what_was_begun_before_another_version(self):
        publish()
        for seen in (0, 7):
            with pytest.raises(operations.WordingChangedError):
                publish(seen=seen)

    def test_takes_an_earlier_one_or_the_standard_up_again_as_a_new_version(self):
        publish()
        publish(replace(OURS, heading="Two"), seen=1)
        user = UserFactory(role="manager")
        again = operations.take_up_again(code=CODE, language="en", number=1, seen=2, acting_user=user, now=clock.now())
        assert (again.number, operations.texts_of(again)) == (3, OURS)
        standard = operations.take_up_again(code=CODE, language="en", number=0, seen=3, acting_user=user, now=clock.now())
        assert operations.texts_of(standard) == operations.standard_texts(CODE, "en")

    def test_the_database_lets_no_version_be_changed(self, owner_cursor):
        publish()
        for statement in ("UPDATE documents_wordingversion SET heading = 'x'", "DELETE FROM documents_wordingversion"):
            with pytest.raises(psycopg.Error, match="wording_stays"):
                owner_cursor.execute(statement)


def typed(**changes):
    return {"heading": OURS.heading, "opening": OURS.opening, "closing": OURS.closing, "mail": OURS.mail, "seen": "0"} | changes


@pytest.mark.django_db
class TestPages:
    def page(self, name="wording"):
        return reverse(name, args=["overdue-1", "en"])

    def test_lists_every_letter_in_every_language(self, client_as):
        page = client_as("manager").get(reverse("wordings")).content.decode()
        assert page.count("The standard text") == 2 * len(WORDINGS)

    def test_shows_the_standard_text_to_begin_with(self, client_as):
        assert "A payment may have slipped by" in client_as("manager").get(self.page()).content.decode()

    def test_saves_a_version(self, client_as):
        assert client_as("manager").post(self.page(), typed(note="Shorter")).status_code == 302
        assert WordingVersion.objects.get().note == "Shorter"

    def test_refuses_a_place_the_letter_does_not_have_and_keeps_what_was_typed(self, client_as):
        answer = client_as("manager").post(self.page(), typed(mail="Dear {nmae}"))
        assert answer.status_code == 422
        page = answer.content.decode()
        assert "{nmae} is no place of this letter" in page
        assert "Dear {nmae}</textarea>" in page

    @pytest.mark.parametrize("letter", ["agreement", "recall"])
    def test_refuses_a_childs_name_in_the_subject(self, client_as, letter: str):
        data = typed(heading="The instrument of {student}", mail="Dear {name}, {student}")
        answer = client_as("manager").post(reverse("wording", args=[letter, "en"]), data)
        assert answer.status_code == 422
        assert "name does not belong into a subject" in answer.content.decode()
        assert not WordingVersion.objects.exists()

    def test_refuses_words_that_lack_a_place_and_keeps_what_was_typed(self, client_as):
        answer = client_as("manager").post(self.page(), typed(mail="Dear {name}, please pay {total}."))
        assert answer.status_code == 422
        page = answer.content.decode()
        assert "The mail must say {answer_by}: the family has to be told that." in page
        assert "please pay {total}.</textarea>" in page

    def test_says_that_somebody_was_faster_and_lets_it_be_saved_then(self, client_as):
        client = client_as("manager")
        publish(replace(OURS, heading="Theirs"))
        answer = client.post(self.page(), typed())
        assert answer.status_code == 422
        assert "Somebody changed this letter meanwhile" in answer.content.decode()
        assert 'name="seen" value="1"' in answer.content.decode()
        assert client.post(self.page(), typed(seen="1")).status_code == 302

    @pytest.mark.parametrize(("number", "seen"), [("9" * 5000, "0"), ("0", "9" * 5000), ("9" * 30, "0"), ("x", "0"), ("", "")])
    def test_takes_up_no_version_that_cannot_be(self, client_as, number: str, seen: str):
        url = reverse("wording_again", args=["overdue-1", "en"])
        assert client_as("manager").post(url, {"number": number, "seen": seen}).status_code == 404

    def test_says_why_it_cannot_be_shown(self, client_as):
        answer = client_as("manager").post(self.page("wording_show"), typed(household="H-999999"))
        assert answer.status_code == 422
        assert "There is no household H-999999" in answer.content.decode()

    def test_shows_a_mail_with_the_figures_of_what_a_family_was_written(self, client_as):
        household = HouseholdFactory()
        page = samples.receipt(addressee=pages.Addressee("Maren Oldacre", ("12 Elm Way",), household.number))
        ask_for_document(key="r", kind="receipt", about="payment/1", title="Receipt", page=page, now=clock.now())
        client, words = client_as("manager"), {"heading": "Receipt {number}", "mail": "{amount}, {name}.", "seen": "0"}
        shown = client.post(reverse("wording_show", args=["receipt", "en"]), words | {"household": household.number.lower()})
        assert f"${page.amount}, Maren Oldacre." in shown.content.decode()
        nobody = client.post(reverse("wording_show", args=["receipt", "en"]), words | {"household": "H-999999"})
        assert "Nothing of this kind was written to H-999999 yet" in nobody.content.decode()

    def test_is_the_managers_alone(self, client_as):
        assert client_as("bookkeeper").get(self.page()).status_code == 403
