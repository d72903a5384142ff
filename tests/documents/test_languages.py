"""What families read on paper, in Spanish: nothing is left in English but what was signed so, the catalog is whole.

Moments in Spanish follow the Unicode CLDR (es-US), as Babel carries it.
"""

import ast
import datetime
import html
import io
import re
from pathlib import Path

import pytest
from babel.dates import format_time
from babel.messages.mofile import read_mo, write_mo
from babel.messages.pofile import read_po
from django.conf import settings
from django.utils import translation

from rentals.documents import pdf
from rentals.documents.codec import to_payload
from rentals.documents.kinds import KINDS
from rentals.inventory.models import InstrumentKind
from rentals.runtime.templatetags.office import moment
from tests.documents import samples

HOUSE = Path(settings.BASE_DIR)
CATALOG = HOUSE / "rentals/documents/locale/es/LC_MESSAGES"
AMONG_US = {"deposit_slip", "run_manifest", "night_closing", "report", "closing", "work_order", "packing_list", "roster"}
FAMILY = sorted(set(KINDS) - AMONG_US)
SAME = {"Plan", "Total"}
"""Words that are the same in both languages."""
WRITERS = [
    "billing/accounts.py",
    "billing/overdue.py",
    "billing/overdue_words.py",
    "billing/purchase_papers.py",
    "billing/receipts.py",
    "billing/returned_papers.py",
    "billing/statements.py",
    "billing/letter_words.py",
    "rentals/counter/cleanings.py",
    "rentals/counter/cleaning_words.py",
    "rentals/counter/life/leaving_papers.py",
    "rentals/counter/life/ends.py",
    "rentals/counter/bench/papers.py",
    "rentals/counter/bench/estimate_words.py",
    "rentals/agreements/letter_words.py",
    "rentals/agreements/changes/holds.py",
    "rentals/agreements/changes/void.py",
    "rentals/agreements/changes/paper.py",
]


def catalog() -> dict[str, str]:
    with (CATALOG / "django.po").open("rb") as file:
        return {message.id: message.string for message in read_po(file, locale="es") if message.id}


def render(kind: str, language: str) -> str:
    payload = {"page": to_payload(samples.EVERY_KIND[kind]()), "office": to_payload(samples.LETTERHEAD)}
    return pdf.render_html(kind=KINDS[kind], payload=payload, title="T-1", language=language)


def pieces(markup: str) -> set[str]:
    """Return the runs of text of a page, each on its own, without what is marked as English."""
    body = re.sub(r'<(\w+)[^>]* lang="en">.*?</\1>', "", markup.partition("<body")[2], flags=re.DOTALL)
    texts = (" ".join(html.unescape(text).split()) for text in re.split(r"<[^>]*>", body.partition(">")[2]))
    return {text for text in texts if re.search(r"[A-Za-z]{2}", text)}


def strings_of(value) -> set[str]:
    if isinstance(value, dict):
        return set().union(*(strings_of(part) for part in value.values()), set())
    if isinstance(value, list):
        return set().union(*(strings_of(part) for part in value), set())
    return {" ".join(line.split()) for line in str(value).splitlines()} | {" ".join(str(value).split())}


@pytest.mark.parametrize("kind", FAMILY)
class TestEveryFamilyKind:
    def test_nothing_of_ours_is_left_in_english(self, kind: str):
        """What reads the same in both languages stands in what the page was asked to show, and nowhere else."""
        given = strings_of(to_payload(samples.EVERY_KIND[kind]())) | strings_of(to_payload(samples.LETTERHEAD))
        known = sorted(given | SAME | {"T-1"}, key=len, reverse=True)
        for text in pieces(render(kind, "es")) & pieces(render(kind, "en")):
            left = text
            for word in known:
                left = left.replace(word, "") if word else left
            assert not re.search(r"[A-Za-z]{2}", left.replace("(312) 555-0101", "")), text

    def test_says_its_language_and_writes_days_in_it(self, kind: str):
        spanish, english = render(kind, "es"), render(kind, "en")
        assert '<html lang="es">' in spanish and '<html lang="en">' in english
        assert re.search(r"\d+ de [a-z]+ de 2026", spanish)
        assert not re.search(r"\d+ de [a-z]+ de 2026", english)
        amounts = r"−?\$[\d,]+\.\d\d"
        assert sorted(re.findall(amounts, spanish)) == sorted(re.findall(amounts, english))


class TestWhatWasSigned:
    @pytest.mark.parametrize("kind", ["agreement", "addendum", "recall"])
    def test_stays_english_and_is_marked_so(self, kind: str):
        spanish = render(kind, "es")
        assert "Traducción de cortesía" in spanish
        assert "solo el texto en inglés cuenta" in spanish
        assert "Courtesy" not in render(kind, "en")
        signed = samples.TERMS.split("\n\n")[0] if kind == "agreement" else samples.EVERY_KIND[kind]().paragraphs[0]
        assert signed in " ".join(html.unescape(spanish).split())
        assert signed not in pieces(spanish)


class TestCatalog:
    def test_the_compiled_one_is_of_the_text(self):
        """Changed the text? Compile it: `pybabel compile -l es -i …/django.po -o …/django.mo`."""
        with (CATALOG / "django.po").open("rb") as file:
            text = read_po(file, locale="es")
        made = io.BytesIO()
        write_mo(made, text)
        made.seek(0)
        with (CATALOG / "django.mo").open("rb") as file:
            compiled = read_mo(file)
        told, wanted = ({m.id: m.string for m in each if m.id} for each in (compiled, read_mo(made)))
        assert told == wanted

    def test_every_word_that_a_writer_marks_is_in_it(self):
        """Whatever stands in `gettext` where a family's paper or mail is written."""
        known, marked = catalog(), set()
        for name in WRITERS:
            for node in ast.walk(ast.parse((HOUSE / name).read_text())):
                is_call = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in {"_", "gettext"}
                if is_call and isinstance(node.args[0], ast.Constant):
                    marked.add(node.args[0].value)
        assert len(marked) > 80
        assert marked - set(known) == set()

    def test_figures_stand_in_both(self):
        named = re.compile(r"%\(\w+\)s|%s")
        for english, spanish in catalog().items():
            assert spanish
            assert sorted(named.findall(english)) == sorted(named.findall(spanish)), english

    def test_knows_every_sort_of_instrument(self, db):
        names = set(InstrumentKind.objects.values_list("name", flat=True))
        assert len(names) > 10
        assert names - set(catalog()) == set()


class TestMoments:
    @pytest.mark.parametrize("hour", [5, 17, 18, 23])
    def test_are_written_as_spanish_writes_them(self, hour: int):
        when = datetime.datetime(2026, 9, 3, hour, 41, tzinfo=datetime.UTC)
        local = when.astimezone(datetime.timezone(datetime.timedelta(hours=-5)))
        clock = format_time(local, "h:mm a", locale="es_US")
        with translation.override("es"):
            assert moment(when).partition(", ")[2] == re.sub(r"\s", " ", clock)
            assert f" de septiembre de 2026, {local.hour % 12 or 12}:41" in moment(when)
        assert moment(when).startswith("Sep ")
