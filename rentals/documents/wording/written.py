"""Showing words with a real family's figures: those of the last letter of the kind that the family was written."""

import datetime
from collections.abc import Callable
from typing import Any

from rentals.documents.codec import from_payload
from rentals.documents.kinds import get_kind
from rentals.documents.models import Document
from rentals.documents.pages import FactLine
from rentals.documents.wording.registry import NothingToShowError


def page_of(document: Document) -> Any:
    """Return what a document shows, as its page. Raises PayloadError."""
    return from_payload(get_kind(document.kind).page, document.payload["page"])


def last_written(kind: str, *, reader: str = "addressee", **fields: Any) -> Callable[[str, str, datetime.date], Any]:
    """Return what finds the page of the last document of a kind: of a household, else of any, best one in the language asked for.

    `reader`: the page's field that says whose it is; `fields`: what else must stand on the page.
    """
    place = "payload__page__"

    def find(number: str, language: str, today: datetime.date) -> Any:
        written = Document.objects.filter(kind=kind, **{place + name: value for name, value in fields.items()}).order_by("-pk")
        if number:
            written = written.filter(**{f"{place}{reader}__household_number": number.upper()})
        found = written.filter(language=language).first() or written.first()
        if found is None:
            whom = number.upper() or "anybody"
            message = f"Nothing of this kind was written to {whom} yet. Name a household that has had one, or nobody."
            raise NothingToShowError(message)
        return page_of(found)

    return find


def as_places(values: dict[str, str]) -> tuple[FactLine, ...]:
    """Return what a letter's places are filled with, as a page keeps it that has no figures of its own to tell it from."""
    return tuple(FactLine(*value) for value in values.items())


def places_of(page: Any) -> dict[str, str]:
    """Return what `as_places` kept on a page, and who is written to."""
    return {"name": page.addressee.name} | {place.label: place.value for place in page.places}
