"""How the sign-in package is bent to this office: no sign-up, our sentences, secrets encrypted, the QR code drawn by ours."""

import base64
import hashlib
import io
import logging
from typing import Any, ClassVar

import segno
from allauth.account.adapter import DefaultAccountAdapter
from allauth.account.internal.flows.login import get_authentication_records
from allauth.core import context
from allauth.mfa.adapter import DefaultMFAAdapter
from allauth.mfa.models import Authenticator
from cryptography.fernet import Fernet, MultiFernet
from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest

from rentals.runtime import clock
from rentals.staff.models import Office, User

log = logging.getLogger("rentals.sign_in")

SAID = {
    "account/messages/password_changed.txt": "Your password is changed. Your other sessions are ended.",
    "mfa/messages/totp_activated.txt": "The second factor is set up. Your other sessions are ended.",
    "mfa/messages/recovery_codes_generated.txt": "New recovery codes are made; the earlier ones no longer work.",
    "usersessions/messages/sessions_logged_out.txt": "Your other sessions are ended.",
}
"""What the package reports and we repeat; the rest is seen on the page anyway."""


def seal() -> MultiFernet:
    """Give the cipher for what must be kept but not read in the database: the newest secret key seals, older ones still open."""
    keys = [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]
    return MultiFernet([Fernet(base64.urlsafe_b64encode(hashlib.sha256(f"seal {key}".encode()).digest())) for key in keys])


class AccountAdapter(DefaultAccountAdapter):  # type: ignore[misc]
    """Sign-in by e-mail address and password."""

    error_messages: ClassVar[dict[str, Any]] = {
        **DefaultAccountAdapter.error_messages,
        "email_password_mismatch": "This address and this password do not go together. Check both and try again.",
        "too_many_login_attempts": "That was tried too often. Wait five minutes, then try again.",
        "rate_limited": "That was tried too often. Wait five minutes, then try again.",
        "incorrect_password": "This is not your password. Try again.",
        "enter_current_password": "This is not your present password. Try again.",
    }

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        """Nobody signs themselves up."""
        return False

    def add_message(
        self, request: HttpRequest, level: int, message_template: str | None = None, *args: Any, **kwargs: Any
    ) -> None:
        """Say it in our words, or not at all."""
        said = SAID.get(message_template or "")
        if said:
            messages.success(request, said)

    def authenticate(self, request: HttpRequest, **credentials: Any) -> User | None:
        """Who has left is told what a stranger is told."""
        user: User | None = super().authenticate(request, **credentials)
        return user if user and user.is_active else None

    def is_reauthentication_required(self, *, app: str) -> bool:
        """Ask for the password once more, unless it, or a code, was given in the last minutes."""
        request = context.request
        records = get_authentication_records(request, request.user)
        recent = bool(records) and clock.now().timestamp() - records[-1]["at"] < settings.ACCOUNT_REAUTHENTICATION_TIMEOUT
        return not recent and super().is_reauthentication_required(app=app)

    def authentication_failed(self, request: HttpRequest, **credentials: Any) -> None:
        """Leave a trace without saying who was tried."""
        super().authentication_failed(request, **credentials)
        log.warning("sign-in refused, from %s", self.get_client_ip(request))


class FactorAdapter(DefaultMFAAdapter):  # type: ignore[misc]
    """The second factor."""

    error_messages: ClassVar[dict[str, Any]] = {
        **DefaultMFAAdapter.error_messages,
        "incorrect_code": "This code is not right, or was used already. Wait for the next one and type that.",
    }

    def get_totp_issuer(self) -> str:
        """Name the office in the person's app."""
        return Office.objects.values_list("name", flat=True).first() or "Rental office"

    def build_totp_svg(self, url: str) -> str:
        """Draw the code as inline SVG. Never a Micro QR: many telephones cannot read those."""
        out = io.BytesIO()
        code = segno.make_qr(url, error="m")
        code.save(out, kind="svg", scale=5, border=4, xmldecl=False, svgns=True, light="#fff", title="Code for the app", nl=False)
        return out.getvalue().decode()

    def encrypt(self, text: str) -> str:
        """Keep secrets sealed in the database."""
        return seal().encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        """Open what `encrypt` sealed."""
        return seal().decrypt(encrypted_text.encode()).decode()

    def can_delete_authenticator(self, authenticator: Authenticator) -> bool:
        """Nobody takes their own second factor away: an administrator resets it, with a reason, and a new password follows."""
        return False
