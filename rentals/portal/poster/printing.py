"""The poster of a night and its cards, as PDF: the way to the form from home in both languages. No child's data, ever."""

from dataclasses import dataclass
from typing import Any

from django.template.loader import render_to_string
from django.utils import translation

from rentals.documents import pdf
from rentals.inventory.labelling import codes
from rentals.portal.words import LANGUAGES, say
from schools.models import Night

CARDS = 8
"""On a letter page, two by four; each 4 1/4 by 2 3/4 inches."""


@dataclass(frozen=True)
class Invitation:
    """What stands on poster and cards: the shop, the night, the address of the form."""

    office: str
    phone: str
    night: Night
    address: str


def print_poster(invitation: Invitation) -> bytes:
    """Return the poster, one letter page. About 100 ms of processor time; raises CannotMakePdfError where Pango is missing."""
    return _print("poster", invitation, title=f"Poster: {invitation.night}")


def print_cards(invitation: Invitation) -> bytes:
    """Return a letter page of eight cards to hand out. Raises CannotMakePdfError where Pango is missing."""
    return _print("cards", invitation, title=f"Cards: {invitation.night}", places=range(CARDS))


def _print(name: str, invitation: Invitation, **more: Any) -> bytes:
    rows = codes.qr_code(invitation.address)
    drawn = {"path": codes.squares_path(rows), "modules": len(rows) + 2 * codes.QUIET_SQUARES}
    texts = [_words(code) for code, _ in LANGUAGES]
    html = render_to_string(f"portal/poster/{name}.html", {"to": invitation, "qr": drawn, "texts": texts, **more})
    return pdf.print_sheet(html, render_to_string("portal/poster/poster.css"))


def _words(language: str) -> dict[str, Any]:
    """Return what is said in one language."""
    with translation.override(language):
        return {
            "language": language,
            "title": say("Instrument sign-up night"),
            "do": say("Fill the form in at home"),
            "why": say("Point your phone’s camera at the code. It takes five minutes, and saves you a wait at the night."),
            "who": say("For a parent or guardian. You pay and sign nothing online."),
            "bring_title": say("What to bring"),
            "bring": [
                say("The student: sizes are measured there."),
                say("What your director has said about the instrument."),
                say("The first payment, in cash or by check. Ask us about other ways to pay."),
            ],
            "ask": say("Questions? Call us."),
            "short": say("Scan, answer at home, wait less."),
        }
