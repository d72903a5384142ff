"""The form from home in two languages: nothing is left in English, the catalog is whole, and longer words find their place."""

import datetime
import io
import re
from pathlib import Path

import pytest
from babel.messages.mofile import read_mo, write_mo
from babel.messages.pofile import read_po
from django.conf import settings
from django.core.cache import cache
from django.test import Client
from django.urls import reverse
from django.utils import translation

from rentals.families.forms import GRADES
from rentals.inventory.models import InstrumentKind
from rentals.portal import rules
from rentals.portal.models import HomeForm
from rentals.portal.words import say
from rentals.runtime.templatetags.office import day
from rentals.staff.models import Office
from schools.models import Programme
from tests.inventory.factories import CatalogueItemFactory, kind
from tests.portal.factories import DoorFactory
from tests.portal.family import ANSWERS, begin, fill, texts
from tests.portal.pseudo import pseudo, without_marked  # noqa: F401 - a fixture
from tests.schools.factories import NightFactory, ProgrammeFactory, SchoolFactory

CATALOG = Path(settings.BASE_DIR) / "rentals/portal/locale/es/LC_MESSAGES"
WRONG: dict[str, list[dict[str, str]]] = {
    "who": [{}, {"given_name": "a" * 61, "family_name": "a" * 61}],
    "reach": [{}, {"phone": "12", "email": "somebody"}, {"phone": "312 555 0142 x 12", "email": "a@b." + "c" * 300}],
    "street": [{}, {"street": "a" * 121, "unit": "a" * 41}],
    "town": [{}, {"city": "a" * 81, "state": "ZZ", "postal_code": "1"}],
    "student": [{}, {"given_name": "a" * 61, "family_name": "a" * 61, "grade": "44"}],
    "program": [{}, {"programme": "0"}],
    "instrument": [{}, {"kind": "kazoo"}],
    "size": [{}, {"size": "9/4"}],
    "protection": [{}, {"protection": "maybe"}],
}
"""What is wrong with a page in every way we have a sentence for."""


@pytest.fixture(autouse=True)
def counted_anew():
    cache.clear()


@pytest.fixture
def door(db):
    school = SchoolFactory()
    both = [ProgrammeFactory(school=school), ProgrammeFactory(school=school, kind="orchestra")]
    for code in ("flute", "violin", "bass"):
        CatalogueItemFactory(kind=kind(code))
    return DoorFactory(night=NightFactory(on=datetime.date(2030, 11, 30), school=school, programmes=both))


def every_page(client: Client, door):
    """Give every page of the form, right and wrong: its name and the answer."""
    orchestra = str(door.night.programmes.get(kind="orchestra").pk)
    response = begin(client, door, "es")
    answers = ANSWERS | {"program": {"programme": orchestra}, "instrument": {"kind": "violin"}}
    while not response["Location"].endswith("/review/"):
        url = response["Location"]
        page = url.rstrip("/").rsplit("/", 1)[-1]
        yield page, client.get(url)
        for wrong in WRONG[page]:
            yield f"{page}, wrong", client.post(url, wrong)
        response = client.post(url, answers[page])
    overview = response["Location"]
    yield "mine, not sent", client.get(reverse("home_form", args=[door.code]))
    yield "review", client.get(overview)
    yield "who, again", client.get(reverse("home_page", args=[door.code, 1, "who"]))
    yield "done", client.post(overview, follow=True)
    yield "review, sent", client.get(overview)
    client.post(reverse("home_another", args=[door.code, 1]))
    yield "mine", client.get(reverse("home_form", args=[door.code]))
    HomeForm.objects.filter(place=1).update(used_at=datetime.datetime(2031, 1, 1, tzinfo=datetime.UTC))
    yield "mine, used", client.get(reverse("home_form", args=[door.code]))


def data_of(door) -> list[str]:
    """List what stands on the pages and is nobody's word: names, numbers, days."""
    night, form = door.night, HomeForm.objects.select_related("family").first()
    with translation.override("es"):
        found = [day(night.on, "weekday"), day(night.on)]
    found += [night.school.name, night.school.street, night.school.city, night.room, "English", "AM", "PM", "Rental office"]
    found += Office.objects.values_list("name", flat=True)
    found += [value for page in ANSWERS.values() for value in page.values()] + ["IL", "a" * 61]
    found += [form.family.code] if form and form.family.code else []
    return sorted((each for each in found if each), key=len, reverse=True)


def english_left(response, door) -> list[str]:
    """List the texts of a page that did not come through the catalog."""
    left = []
    for text in texts(response):
        rest = without_marked(text)
        for data in data_of(door):
            rest = rest.replace(data, "")
        if re.search(r"[A-Za-zÀ-ÿ]{2,}", rest):
            left.append(text)
    return left


def test_nothing_is_left_in_english(door, client, pseudo):  # noqa: F811
    left = {name: found for name, response in every_page(client, door) if (found := english_left(response, door))}
    assert left == {}


def test_the_test_sees_english(door, client, pseudo, monkeypatch):  # noqa: F811
    monkeypatch.setattr("rentals.portal.home.views.say", str)
    response = client.get(begin(client, door, "es")["Location"])
    assert "Who are you?" in english_left(response, door)


def spoken(door, client, pseudo) -> set[str]:  # noqa: F811
    """List every sentence that the doors say: met on the pages, or marked in the source."""
    list(every_page(client, door))
    marked = set(pseudo.asked)
    folder = Path(settings.BASE_DIR)
    for path in [*(folder / "templates/portal").rglob("*.html"), *(folder / "templates/components").glob("*.html")]:
        source = path.read_text()
        marked |= {
            double or single for double, single in re.findall(r"""translate (?:"([^"]+)"|'([^']+)') context ["']family""", source)
        }
        for block in re.findall(r'blocktranslate[^%]*context "family"[^%]*%\}(.*?)\{% (?:plural|endblock)', source):
            marked.add(re.sub(r"\{\{ (\w+) \}\}", r"%(\1)s", block))
    for path in (folder / "rentals/portal").rglob("*.py"):
        marked |= set(re.findall(r'\bsay\(\s*"([^"]+)"\s*\)', path.read_text()))
    marked |= set(InstrumentKind.objects.values_list("name", flat=True)) | {str(label) for label in Programme.Kind.labels}
    return marked | {label for value, label in GRADES if value}


def catalog() -> dict[str, str | tuple[str, ...]]:
    """Read the catalog: what is said under the context of the doors."""
    with (CATALOG / "django.po").open("rb") as file:
        return {
            message.id if isinstance(message.id, str) else message.id[0]: message.string
            for message in read_po(file, locale="es")
            if message.id and message.context == "family"
        }


class TestCatalog:
    def test_every_sentence_is_translated(self, door, client, pseudo):  # noqa: F811
        known, wanted = catalog(), spoken(door, client, pseudo)
        assert sorted(wanted - set(known)) == []
        assert [each for each, text in known.items() if not text or not all(text)] == []
        assert len(wanted) > 100

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
        told, wanted = ({(m.context, str(m.id)): m.string for m in each if m.id} for each in (compiled, again))
        assert told == wanted

    def test_figures_stand_in_both(self):
        named = re.compile(r"%\(\w+\)s")
        for english, spanish in catalog().items():
            for text in [spanish] if isinstance(spanish, str) else spanish[1:]:
                assert sorted(named.findall(english)) == sorted(named.findall(text)) or not isinstance(spanish, str), english

    def test_a_family_reads_spanish(self):
        with translation.override("es"):
            assert say("Who are you?") == "¿Quién es usted?"
            assert say("Flute") == "Flauta"
        assert say("Who are you?") == "Who are you?"

    def test_every_page_has_its_title(self):
        known = catalog()
        from rentals.portal.home.views import TITLES

        assert set(TITLES) == set(rules.PAGES)
        assert set(TITLES.values()) <= set(known)


def test_longer_words_run_off_no_telephone(door, page, live_server, pseudo):  # noqa: F811
    """Forty per cent longer, 360 pixels wide, on every page: nothing runs off the side, every target is 44 high."""
    client = Client()
    addresses = [reverse("home_form", args=[door.code])]
    overview = fill(
        client, begin(client, door, "es"), programme=str(door.night.programmes.get(kind="orchestra").pk), kind="violin"
    )
    addresses += [reverse("home_page", args=[door.code, 1, each]) for each in rules.PAGES] + [overview]
    client.post(overview)
    addresses += [reverse("home_done", args=[door.code, 1])]
    page.context.add_cookies([{"name": "home", "value": client.cookies["home"].value, "url": live_server.url}])
    page.set_viewport_size({"width": 360, "height": 740})
    small = """() => [...document.querySelectorAll("a, button, select, input:not([type=hidden])")]
        .map(e => (e.closest("label") ?? e)).filter(e => !e.matches(".skip"))
        .map(e => [e.outerHTML.slice(0, 80), e.getBoundingClientRect().height]).filter(([, height]) => height < 44)"""
    for address in addresses:
        answer = page.goto(live_server.url + address)
        assert answer.status == 200, address
        assert page.url == live_server.url + address
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), address
        assert page.evaluate(small) == [], address
