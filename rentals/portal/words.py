"""How the doors from outside speak a family's language: every word of theirs stands in the catalog under the context "family".

The catalog is `locale/es/LC_MESSAGES/django.po`. It is no certified translation: a reader of both languages checks it.
"""

from django.utils.translation import pgettext

LANGUAGES = (("en", "English"), ("es", "Español"))
CONTEXT = "family"


def say(text: object) -> str:
    """Return a sentence in the language of the page."""
    return pgettext(CONTEXT, str(text)) if str(text) else ""


def other_language(language: str) -> tuple[str, str]:
    """Return the language a page offers beside its own, as code and name in itself."""
    return next(pair for pair in LANGUAGES if pair[0] != language)


def is_language(code: str) -> bool:
    """Tell whether the doors speak it."""
    return code in dict(LANGUAGES)
