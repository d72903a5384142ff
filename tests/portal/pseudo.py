"""A pretended language for tests: every word that goes through the catalog comes back marked and 40 % longer."""

import re
from typing import Any

import pytest
from django.utils.translation import trans_real

BEGIN, END = "⟦", "⟧"
PADDING = "ñandú "


class Pseudo:
    """Stands where Spanish stands; remembers what it was asked for under the context of the doors."""

    def __init__(self, inner: Any) -> None:
        self.inner = inner
        self.asked: set[str] = set()

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)

    def gettext(self, message: str) -> str:
        """Stretch what has our context; leave the rest to the real one."""
        context, separator, text = message.partition("\x04")
        return self.stretch(text) if separator and context == "family" else self.inner.gettext(message)

    def ngettext(self, singular: str, plural: str, number: int) -> str:
        """As gettext, for one and for many."""
        context, separator, text = singular.partition("\x04")
        if not separator or context != "family":
            return self.inner.ngettext(singular, plural, number)
        self.asked.add(text)
        return self.stretch(text if number == 1 else plural.partition("\x04")[2] or plural, remember=False)

    def stretch(self, text: str, *, remember: bool = True) -> str:
        """Mark a text and make it longer by two fifths, by whole words where it has room for them."""
        if text.startswith(BEGIN) or not text:
            return text
        if remember:
            self.asked.add(text)
        length = max(1, round(len(text) * 0.4))
        return f"{BEGIN}{text} {(PADDING * length)[:length]}{END}"


def without_marked(text: str) -> str:
    """Leave out all that came through the catalog."""
    return re.sub(f"{BEGIN}[^{END}]*{END}", "", text)


@pytest.fixture
def pseudo(monkeypatch) -> Pseudo:
    """Spanish is the pretended language while the test runs, in this process."""
    made = Pseudo(trans_real.translation("es"))
    monkeypatch.setitem(trans_real._translations, "es", made)
    return made
