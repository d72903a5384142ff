"""The link by which a family stops reminders: what a mail says about it, and the proof in its address.

RFC 2369, 3.2 (List-Unsubscribe) and RFC 8058 (List-Unsubscribe-Post: one click, by https). RFC 8058 wants both headers under the
DKIM signature; whoever sends the mail for us signs it, and says there what is signed.
"""

from email.utils import parseaddr
from urllib.parse import quote

from django.conf import settings
from django.core import signing
from django.urls import reverse
from django.utils import translation
from django.utils.translation import pgettext

from rentals.documents.models import OutboxMessage
from rentals.documents.reasons import is_courtesy

SIGNER = "rentals.documents.stopping"


def make_token(guardian_id: int) -> str:
    """Return the proof that a link is ours; it works for as long as the secret key is known."""
    return signing.Signer(salt=SIGNER).sign_object(guardian_id)


def read_token(token: str) -> int | None:
    """Return whose link it is, None where it is not ours."""
    try:
        guardian_id = signing.Signer(salt=SIGNER).unsign_object(token)
    except (signing.BadSignature, ValueError):
        return None
    return guardian_id if isinstance(guardian_id, int) else None


def stop_link(message: OutboxMessage) -> str:
    """Return the address that stops mails like this one, "" where families reach no page of ours or must get the mail."""
    if not is_courtesy(message.kind) or message.guardian_id is None or not settings.PUBLIC_URL.startswith("https://"):
        return ""
    path: str = reverse("reminders_stop", args=[make_token(message.guardian_id)])
    return f"{settings.PUBLIC_URL}{path}"


def headers(message: OutboxMessage) -> dict[str, str]:
    """Return the headers by which a mail program offers to stop mails like this one; none on what a family must get."""
    if not is_courtesy(message.kind):
        return {}
    link = stop_link(message)
    if link:
        return {"List-Unsubscribe": f"<{link}>", "List-Unsubscribe-Post": "List-Unsubscribe=One-Click"}
    office = parseaddr(settings.DEFAULT_FROM_EMAIL)[1]
    return {"List-Unsubscribe": f"<mailto:{office}?subject={quote('No more reminders')}>"}


def last_lines(message: OutboxMessage) -> str:
    """Return what stands under the text of a courtesy, in its language: how to stop it."""
    link = stop_link(message)
    if not link:
        return ""
    with translation.override(message.language):
        return "\n\n-- \n" + pgettext("family", "If you want no reminders like this one: %s") % link + "\n"
