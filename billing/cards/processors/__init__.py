"""The processors there are, and the one this office uses: by the environment, or the practice one where nothing is real."""

from functools import cache

from django.conf import settings

from billing.cards.ports import PaymentProcessor


class NoProcessorError(Exception):
    """This office takes no cards."""

    def __init__(self) -> None:
        super().__init__("This office takes no cards: no card processor is set up.")


def current() -> PaymentProcessor | None:
    """Return the processor that new attempts go to, None where cards are not taken."""
    code = settings.CARD_PROCESSOR
    return by_code(code) if code else None


@cache
def by_code(code: str) -> PaymentProcessor:
    """Return a processor by its code. Raises NoProcessorError when it is not set up here."""
    if code == "practice" and settings.CARD_PRACTICE:
        from billing.cards.processors.practice import PracticeProcessor

        return PracticeProcessor()
    if code == "stripe" and settings.STRIPE_KEY:
        from billing.cards.processors.stripe_pages import StripePages

        return StripePages(key=settings.STRIPE_KEY, webhook_secret=settings.STRIPE_WEBHOOK_SECRET, api=settings.STRIPE_API)
    raise NoProcessorError
