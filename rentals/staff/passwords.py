"""What a password must be: long, and not one that anybody would try first. No rules of composition, no forced change.

Lengths after NIST SP 800-63B-4, section 3.1.1.2: 15 characters or more where the password stands alone, 8 beside a second
factor.
"""

import re

from allauth.mfa.models import Authenticator
from django.contrib.auth.models import AnonymousUser
from django.core.exceptions import ValidationError

from rentals.staff.models import Office, User

ALONE = 15
WITH_SECOND_FACTOR = 8
# Words anybody would try at this office (NIST SP 800-63B-4, 3.1.1.2: "context-specific words").
CONTEXT = {"password", "passwort", "rental", "rentals", "rent", "office", "music", "school", "instrument", "instruments"}
CONTEXT |= {
    "violin",
    "cello",
    "trumpet",
    "clarinet",
    "flute",
    "trombone",
    "saxophone",
    "orchestra",
    "band",
    "shop",
    "demo",
    "welcome",
}
FEWEST_OTHER_LETTERS = 6


def has_second_factor(user: User | AnonymousUser | None) -> bool:
    """Tell whether this person has set up a second factor."""
    return bool(user and user.pk and Authenticator.objects.filter(user_id=user.pk, type=Authenticator.Type.TOTP).exists())


class LongEnough:
    """At least 15 characters, or 8 beside a second factor."""

    def validate(self, password: str, user: User | None = None) -> None:
        """Refuse what is too short."""
        least = WITH_SECOND_FACTOR if has_second_factor(user) else ALONE
        if len(password) < least:
            message = f"Use at least {least} characters; this has {len(password)}. A few words in a row are easy to keep in mind."
            raise ValidationError(message, code="password_too_short")

    def get_help_text(self) -> str:
        """Say the rule."""
        return f"At least {ALONE} characters (with a second factor set up, {WITH_SECOND_FACTOR})."


class NotGuessable:
    """Not made of the office's, the person's or the trade's words alone, nor of a few characters over and over."""

    def validate(self, password: str, user: User | None = None) -> None:
        """Refuse what would be tried first."""
        if len(set(password.casefold())) < 5:
            raise ValidationError("Use more different characters; these are the same few over and over.", code="password_repeats")
        rest = password.casefold()
        for word in sorted(self._words(user), key=len, reverse=True):
            rest = rest.replace(word, "")
        if len(re.sub(r"[\W\d_]", "", rest)) < FEWEST_OTHER_LETTERS:
            message = "Use other words: these are the office's, your own name or the trade's, which anybody would try first."
            raise ValidationError(message, code="password_context")

    def _words(self, user: User | None) -> set[str]:
        texts = [user.email, user.name] if user else []
        texts += Office.objects.values_list("name", flat=True)
        return CONTEXT | {word for text in texts for word in re.findall(r"\w{3,}", text.casefold())}

    def get_help_text(self) -> str:
        """Say the rule."""
        return "Not your name, the office's name or the names of instruments."
