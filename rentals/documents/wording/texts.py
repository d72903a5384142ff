"""The text of a letter with places left open, and how they are filled. Pure."""

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

SLOT = re.compile(r"\{([^{}]*)\}")


@dataclass(frozen=True)
class Texts:
    """A letter's words: its heading (also the mail's subject), what stands before and after the figures, and the mail's text.

    Paragraphs are parted by blank lines; `{name}` and the like are places that each letter fills with its own.
    """

    heading: str
    opening: str
    closing: str
    mail: str

    def filled(self, values: Mapping[str, str]) -> "Texts":
        """Return the words with their places filled; a place that has no value stays as it is written.

        >>> Texts("A word", "Dear {name},", "", "").filled({"name": "Maren"}).opening
        'Dear Maren,'
        """
        return Texts(**{part.name: _fill(getattr(self, part.name), values) for part in fields(self)})


def as_slots(text: str) -> str:
    """Return translated words with their marks as places of a letter.

    >>> as_slots("Dear %(name)s,")
    'Dear {name},'
    """
    return re.sub(r"%\((\w+)\)s", r"{\1}", text)


def paragraphs(text: str) -> tuple[str, ...]:
    """Return the paragraphs of a text, each on one line.

    >>> paragraphs("Dear Maren,\\n\\nit is time\\nfor it.\\n")
    ('Dear Maren,', 'it is time for it.')
    """
    return tuple(" ".join(part.split()) for part in re.split(r"\n\s*\n", text.strip()) if part.strip())


def put_into(page: Any, texts: Texts) -> Any:
    """Return a letter's page with its words, filled already."""
    return replace(page, heading=texts.heading, opening=paragraphs(texts.opening), closing=paragraphs(texts.closing))


def missing_slots(text: str, needed: Collection[str]) -> list[str]:
    """Return the places that this text should have and has not, in the order of `needed`.

    >>> missing_slots("On {day} we debit it.", ["day", "amount"])
    ['amount']
    """
    return [slot for slot in needed if slot not in SLOT.findall(text)]


def unknown_slots(text: str, known: Collection[str]) -> list[str]:
    """Return what stands in braces and is no place of this letter, each once, in the order of the text."""
    return list(dict.fromkeys(found for found in SLOT.findall(text) if found not in known))


def has_lone_brace(text: str) -> bool:
    """Tell whether a brace is left that opens or closes no place."""
    return any(brace in SLOT.sub("", text) for brace in "{}")


def _fill(text: str, values: Mapping[str, str]) -> str:
    return SLOT.sub(lambda found: values.get(found[1], found[0]), text)
