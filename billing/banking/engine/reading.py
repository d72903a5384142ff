"""From a bank's text to the words, initials and numbers the engine compares. Pure."""

import re

from billing.banking import rules
from billing.banking.engine.books import Line

_INITIAL = re.compile(r"(?<![^\W\d_])(?<!['’])([^\W\d_])(?![^\W\d_'’])\.?")


def read(*, key: int, cents: int, day: int, text: str) -> Line:
    """Read a line of the bank.

    >>> read(key=1, cents=100, day=1, text="TRANSFER FROM M. Rivera REF H-00412").words
    ('RIVERA',)
    """
    words = tuple(dict.fromkeys(rules.words_of(text)))
    initials = frozenset(_INITIAL.findall(_without_numbers(text.upper())))
    return Line(key, cents, day, words, initials, tuple(rules.references_in(text)), rules.payer_of(text))


def _without_numbers(text: str) -> str:
    return re.sub(r"\b[AHP][- ]?\d+", " ", text)
