"""Changing what a letter says: always a new version, so that whatever was in force before can be read and taken up again."""

import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import translation

from rentals.documents.models import WordingVersion
from rentals.documents.queries import get_letterhead
from rentals.documents.wording.registry import WORDINGS, Wording
from rentals.documents.wording.texts import Texts
from rentals.runtime.templatetags.office import phone as written_phone
from rentals.staff.models import User
from rentals.staff.policy import require


class WordingChangedError(Exception):
    """Somebody made another version since this one was begun."""

    def __init__(self) -> None:
        super().__init__(
            "Somebody changed this letter meanwhile. Yours is kept below: compare it with the version in force, then save it."
        )


def get_version(code: str, language: str) -> WordingVersion | None:
    """Return the version in force, None while it is the standard text."""
    return WordingVersion.objects.filter(code=code, language=language).order_by("-number").first()


def get_texts(code: str, language: str) -> Texts:
    """Return a letter's words in force, places still open. Raises KeyError for a letter nobody registered."""
    version = get_version(code, language)
    return texts_of(version) if version else standard_texts(code, language)


def standard_texts(code: str, language: str) -> Texts:
    """Return the words a letter has until somebody changes them."""
    with translation.override(language):
        return WORDINGS[code].standard()


def texts_of(version: WordingVersion) -> Texts:
    """Return a version's words."""
    return Texts(version.heading, version.opening, version.closing, version.mail)


def word_letter(code: str, language: str, page: Any) -> tuple[Any, Texts]:
    """Return a letter's page with its words in force, and the words, filled from the page. Two queries."""
    return fill(WORDINGS[code], get_texts(code, language), language, page)


def fill(wording: Wording, texts: Texts, language: str, page: Any) -> tuple[Any, Texts]:
    """Return the page with these words, and the words, filled from the page; the office's own places are added. One query."""
    with translation.override(language):
        filled = texts.filled(office_values() | wording.values(page))
    return wording.put_words(page, filled), filled


def office_values() -> dict[str, str]:
    """Return what the office's own places are filled with (`registry.OFFICE_SLOTS`)."""
    office = get_letterhead()
    return {"office": office.name, "phone": written_phone(office.phone), "email": office.email}


@transaction.atomic
def publish(
    *, code: str, language: str, texts: Texts, note: str, seen: int, acting_user: User, now: datetime.datetime
) -> WordingVersion:
    """Put new words in force for letters written from now on; what is written already stays as it is.

    `seen` is the number of the version that was in force when the author began, 0 for the standard text.
    Raises PermissionDenied; PlaceMissingError; WordingChangedError when another version was made since; KeyError.
    """
    require(acting_user, "wording.edit")
    for missing in WORDINGS[code].list_missing(texts):
        raise missing
    current = get_version(code, language)
    if (current.number if current else 0) != seen:
        raise WordingChangedError
    try:
        with transaction.atomic():
            return WordingVersion.objects.create(
                code=code,
                language=language,
                number=seen + 1,
                heading=texts.heading,
                opening=texts.opening,
                closing=texts.closing,
                mail=texts.mail,
                note=note,
                made_at=now,
                made_by=acting_user,
            )
    except IntegrityError as error:
        raise WordingChangedError from error


def take_up_again(
    *, code: str, language: str, number: int, seen: int, acting_user: User, now: datetime.datetime
) -> WordingVersion:
    """Put an earlier version (0: the standard text) in force again, as a new version. Raises as `publish`; DoesNotExist."""
    if number == 0:
        texts, note = standard_texts(code, language), "The standard text again"
    else:
        texts, note = texts_of(WordingVersion.objects.get(code=code, language=language, number=number)), f"As version {number}"
    return publish(code=code, language=language, texts=texts, note=note, seen=seen, acting_user=acting_user, now=now)
