"""What families read about autopay: in English and in Spanish, by the household's language; what was signed stays English.

Months in Spanish follow the Unicode CLDR (es, wide), as Babel carries it.
"""

import datetime
import io
import re
from pathlib import Path

import pytest
from babel.dates import format_date
from babel.messages.mofile import read_mo, write_mo
from babel.messages.pofile import read_po
from django.conf import settings
from django.urls import reverse
from django.utils import translation
from django.utils.translation import pgettext

from billing.autopay import authorising, codes, letters, noticing, wording
from billing.models import Charge
from rentals.documents import pdf
from rentals.documents.kinds import get_kind
from rentals.documents.models import Document, OutboxMessage
from rentals.documents.queries import get_letterhead
from rentals.runtime import clock
from rentals.runtime.templatetags.office import day
from tests.billing.autopay.bank import returns
from tests.billing.autopay.conftest import NOW, TODAY, authorised, told
from tests.billing.autopay.test_answering import take, trace_of
from tests.billing.autopay.test_running import let_out, prepare

CATALOG = Path(settings.BASE_DIR) / "billing/locale/es/LC_MESSAGES"
ENGLISH = re.compile(r"\b(the|we|you|your|and|is|are|from|will|due|account|debit)\b", re.IGNORECASE)


@pytest.fixture
def spanish(authorisation):
    """The family reads Spanish, and its authorisation is given anew."""
    household = authorisation.household
    authorising.end(authorisation=authorisation, how="office", why="Anew", acting_user=authorisation.taken_by, now=NOW)
    household.language = "es"
    household.save()
    return authorised(household, number="4445556667")


def words_of(kind):
    """The mail's body and the paper's text, tags left out."""
    message = OutboxMessage.objects.filter(kind=kind).latest("pk")
    document = Document.objects.get(pk=message.document_id)
    html = pdf.render_html(
        kind=get_kind(document.kind), payload=document.payload, title=document.title, language=document.language
    )
    return message, " ".join(re.sub(r"<[^>]+>", " ", html).split()), html


def without_names(text, household):
    """What is left when names and numbers of the office and the family are taken out."""
    for name in (household.name, household.number, "Jo Sample", "EXAMPLE RENTAL"):
        text = text.replace(name, "")
    return text


class TestNotice:
    def test_is_in_spanish(self, spanish, bookkeeper):
        assert noticing.give_notices(today=TODAY, now=NOW, acting_user=bookkeeper) == 1
        message, paper, html = words_of("autopay_notice")
        assert message.subject == "Lo que debitaremos de su cuenta"
        for text in (message.body, paper):
            assert "El 23 de marzo de 2026 debitaremos como máximo $53.30 de su cuenta corriente que termina en 6667." in text
            assert "Alquiler, vence el 31 de enero de 2026" in text
            assert not ENGLISH.search(without_names(text, spanish.household)), ENGLISH.search(text)
        assert '<html lang="es">' in html
        assert "Página" in paper

    def test_is_in_english_for_others(self, authorisation, bookkeeper):
        noticing.give_notices(today=TODAY, now=NOW, acting_user=bookkeeper)
        message, paper, _ = words_of("autopay_notice")
        assert "On Mar 23, 2026 we debit at most $53.30 from your checking account ending in 5518." in message.body
        assert "Rent due Jan 31, 2026" in paper

    def test_each_family_reads_its_own(self, spanish, bookkeeper):
        authorised(number="3332221110")
        assert noticing.give_notices(today=TODAY, now=NOW, acting_user=bookkeeper) == 2
        subjects = set(OutboxMessage.objects.filter(kind="autopay_notice").values_list("subject", flat=True))
        assert subjects == {"Lo que debitaremos de su cuenta", "What we will debit from your account"}


class TestAuthorisation:
    def test_keeps_the_english_and_adds_a_courtesy_translation(self, spanish):
        assert spanish.wording.startswith("I authorize ")
        message, paper, html = words_of("autopay")
        english = spanish.wording.split("\n\n")
        assert all(" ".join(part.split()) in paper.replace("&#x27;", "'") for part in english)
        assert '<div lang="en">' in html
        for text in (message.body, paper):
            assert "Traducción de cortesía" in text
            assert "El texto en inglés que está arriba es el que se firmó, y solo él cuenta." in text
            assert "Autorizo a" in text
            assert "a debitar de mi cuenta corriente que termina en 6667" in text
        assert paper.index("I authorize") < paper.index("Traducción de cortesía") < paper.index("Autorizo a")

    def test_has_none_where_english_is_read(self, authorisation):
        assert "Courtesy" not in words_of("autopay")[1]

    @pytest.mark.parametrize("part", range(5))
    def test_says_as_much_as_the_english(self, spanish, part):
        """The same figures and names in each paragraph: ten days, twice, three days, the company, the reach."""
        head = get_letterhead()
        english = wording.authorisation_text(head, "EXAMPLE RENTAL", "account").split("\n\n")
        found = wording.courtesy_translation("es", head, "EXAMPLE RENTAL", "cuenta")
        assert len(found) == len(english) == 5
        pairs = [("ten days", "diez días"), ("twice", "dos veces"), ("three business days", "tres días hábiles")]
        for ours, theirs in [*pairs, ("EXAMPLE RENTAL", "EXAMPLE RENTAL"), (head.name, head.name)]:
            assert (ours in english[part]) == (theirs in found[part])

    def test_is_shown_before_it_is_signed(self, spanish, client_as, monkeypatch):
        monkeypatch.setattr(clock, "today", lambda: TODAY)
        authorising.end(authorisation=spanish, how="office", why="Anew", acting_user=spanish.taken_by, now=NOW)
        client = client_as("specialist")
        page = client.get(reverse("autopay_authorise", args=[spanish.household_id])).content.decode()
        assert "solo él cuenta" in page
        assert 'lang="es"' in page
        spanish.household.language = "en"
        spanish.household.save()
        assert "solo él cuenta" not in client.get(reverse("autopay_authorise", args=[spanish.household_id])).content.decode()


class TestReturn:
    @pytest.mark.parametrize(
        ("code", "then"),
        [
            ("R01", "Lo presentaremos una vez más, el 17 de marzo de 2026 como muy pronto."),
            ("R02", "No haremos más débitos de esta cuenta."),
            ("R24", "La cantidad se debe de nuevo."),
        ],
    )
    def test_is_in_spanish(self, spanish, code, then):
        told(spanish)
        run = let_out(prepare())
        take(returns(run, (trace_of(run), code)))
        message, paper, _ = words_of("autopay_return")
        assert message.subject == "Un débito fue devuelto"
        for text in (message.body, paper):
            assert "Su banco devolvió nuestro débito de $26.65 de su cuenta corriente que termina en 6667." in text
            assert then in text
            assert not ENGLISH.search(without_names(text, spanish.household)), text


class TestCatalog:
    def test_the_compiled_one_is_of_the_text(self):
        """Changed the text? Compile it: `pybabel compile -l es -i …/django.po -o …/django.mo`."""
        with (CATALOG / "django.po").open("rb") as file:
            text = read_po(file, locale="es")
        with (CATALOG / "django.mo").open("rb") as file:
            compiled = read_mo(file)
        made = io.BytesIO()
        write_mo(made, text)
        made.seek(0)
        again = read_mo(made)
        told, wanted = ({(m.context, m.id): m.string for m in each if m.id} for each in (compiled, again))
        assert told == wanted

    def test_nothing_is_left_out(self):
        """Every word that is marked for translation under "autopay", every reason of a return, every kind of charge."""
        with (CATALOG / "django.po").open("rb") as file:
            known = {message.id: message.string for message in read_po(file, locale="es") if message.id}
        folder = Path(settings.BASE_DIR)
        marked = set()
        for path in [
            folder / "billing/letter_words.py",
            *(folder / "billing/autopay").rglob("*.py"),
            *(folder / "templates/documents").glob("autopay.*"),
        ]:
            source = path.read_text()
            marked |= set(re.findall(r'translate "([^"]+)" context "autopay"', source))
            marked |= {
                re.sub(r"\{\{ (\w+) \}\}", r"%(\1)s", each)
                for each in re.findall(r'blocktranslate context "autopay"[^%]*%\}(.*?)\{% endblock', source)
            }
            for call in re.findall(r'pgettext\(\s*"autopay",\s*((?:"[^"]*"\s*)+),?\s*\)', source):
                marked.add("".join(re.findall(r'"([^"]*)"', call)))
        marked |= {reason.words for reason in codes.REASONS.values()} | {codes.reason_of("R99").words}
        marked |= {str(label) for label in Charge.Kind.labels}
        assert len(marked) > 45
        assert marked == set(known)
        assert all(known.values())

    def test_figures_stand_in_both(self):
        with (CATALOG / "django.po").open("rb") as file:
            for message in read_po(file, locale="es"):
                if message.id:
                    named = re.compile(r"%\(\w+\)s")
                    assert sorted(named.findall(message.id)) == sorted(named.findall(message.string)), message.id

    def test_other_papers_are_not_translated_by_halves(self):
        with translation.override("es"):
            assert pgettext("autopay", "Amount") == "Cantidad"
            assert translation.gettext("Together") == "Together"
            assert letters.account_words("savings", "4321") == "cuenta de ahorros que termina en 4321"


class TestDays:
    @pytest.mark.parametrize("month", range(1, 13))
    def test_are_written_as_spanish_writes_them(self, month):
        when = datetime.date(2026, month, 3)
        with translation.override("es"):
            assert day(when) == format_date(when, "d 'de' MMMM 'de' y", locale="es")
            assert day(when, "weekday") == format_date(when, "EEEE, d 'de' MMMM 'de' y", locale="es")

    def test_stay_english_on_screen(self):
        assert day(datetime.date(2026, 3, 23)) == "Mar 23, 2026"
