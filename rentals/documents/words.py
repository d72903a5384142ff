"""Words that the books keep in English, as a family reads them on paper."""

from django.utils.translation import gettext


def in_language(text: object) -> str:
    """Return words of the house (a charge's kind, the name of a sort of instrument) in the language of the moment.

    What stands in no catalog stays as it was written: a product, a reason in somebody's own words.
    """
    return gettext(str(text)) if str(text) else ""
