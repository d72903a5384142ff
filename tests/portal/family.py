"""A family at home, for tests: what it answers on each page, and a client that fills the form in."""

import re
from html.parser import HTMLParser

from django.test import Client
from django.urls import reverse

from rentals.portal.models import NightDoor

ANSWERS: dict[str, dict[str, str]] = {
    "who": {"given_name": "Marisol", "family_name": "Quintero"},
    "reach": {"phone": "(312) 555-0142", "email": ""},
    "street": {"street": "12 Alder Lane", "unit": ""},
    "town": {"city": "Springdale", "state": "il", "postal_code": "62704"},
    "student": {"given_name": "Wren", "family_name": "Quintero", "grade": "5"},
    "program": {"programme": ""},
    "instrument": {"kind": "unsure"},
    "size": {"size": "unsure"},
    "protection": {"protection": "ask"},
}
TICKET = re.compile(r'name="ticket" value="([^"]+)"')


def ticket_of(response) -> str:
    """Read the ticket that a page carries."""
    return TICKET.search(response.content.decode())[1]


def begin(client: Client, door: NightDoor, language: str = "en"):
    """Choose a language; return the redirect."""
    url = reverse("home_form", args=[door.code])
    return client.post(url, {"language": language, "ticket": ticket_of(client.get(url))})


def fill(client: Client, response, **changes: str) -> str:
    """Answer page after page from where a redirect leads; return the address of the overview."""
    while True:
        assert response.status_code == 302, response.content.decode()
        url = response["Location"]
        page = url.rstrip("/").rsplit("/", 1)[-1]
        if page == "review":
            return url
        answers = {name: changes.get(name, value) for name, value in ANSWERS[page].items()}
        response = client.post(url, answers)


class Texts(HTMLParser):
    """All that a reader sees or hears of a page: texts, titles and labels."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.silent = 0

    def handle_starttag(self, tag, attrs):
        """Take spoken attributes along; leave scripts out."""
        given = dict(attrs)
        self.found += [given[name] for name in ("aria-label", "placeholder", "title", "alt") if given.get(name)]
        self.silent += tag in {"script", "style"}

    def handle_endtag(self, tag):
        """Listen again."""
        self.silent -= tag in {"script", "style"}

    def handle_data(self, data):
        """Keep what is no white space."""
        if data.strip() and not self.silent:
            self.found.append(" ".join(data.split()))


def texts(response) -> list[str]:
    """List the texts of a page."""
    parser = Texts()
    parser.feed(response.content.decode())
    return parser.found
