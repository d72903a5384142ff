"""Seals bank account numbers, and the files they stand in, with keys from the environment that are changed one by one.

AES-256-GCM. A sealed value names its key and is bound to what it belongs to (`about`): moved to another row it does not open. The
index is a keyed hash under a key of its own, to know an account again without opening anything. OWASP ASVS 5.0, V11.2.2,
V11.3.2, V11.3.3, V14.2.6.
"""

import hashlib
import hmac
import os
from collections.abc import Mapping
from dataclasses import dataclass, field

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from django.conf import settings

VERSION = b"\x01"
NONCE = 12


class KeyMissingError(Exception):
    """A value was sealed with a key that is not here any more."""

    def __init__(self, key_id: str) -> None:
        super().__init__(f"The key “{key_id}” is not among OFFICE_BANK_KEYS: put it back behind the newest one.")
        self.key_id = key_id


class SealBrokenError(Exception):
    """A sealed value was changed, or belongs to something else."""

    def __init__(self, about: str) -> None:
        super().__init__(f"What is sealed for {about} does not open: it was changed, or moved here from elsewhere.")
        self.about = about


@dataclass(frozen=True)
class KeyRing:
    """Keys by name, the newest first; new values are sealed with that one."""

    keys: Mapping[str, bytes] = field(repr=False)
    index_key: bytes = field(repr=False)

    @property
    def newest(self) -> str:
        """The name of the key that seals."""
        return next(iter(self.keys))

    def seal(self, plain: bytes, *, about: str) -> bytes:
        """Return `plain` sealed for `about`, never the same twice."""
        name, nonce = self.newest.encode(), os.urandom(NONCE)
        head = VERSION + bytes([len(name)]) + name
        return head + nonce + AESGCM(self.keys[self.newest]).encrypt(nonce, plain, _bound(head, about))

    def open(self, sealed: bytes | memoryview, *, about: str) -> bytes:
        """Return what was sealed for `about`. Raises KeyMissingError, SealBrokenError."""
        sealed = bytes(sealed)
        name, start = key_of(sealed), 2 + sealed[1]
        if name not in self.keys:
            raise KeyMissingError(name)
        try:
            nonce = sealed[start : start + NONCE]
            return AESGCM(self.keys[name]).decrypt(nonce, sealed[start + NONCE :], _bound(sealed[:start], about))
        except (InvalidTag, ValueError) as error:
            raise SealBrokenError(about) from error

    def index(self, routing: str, account: str) -> str:
        """Return what an account is known again by: a keyed SHA-256 in hexadecimal."""
        return hmac.new(self.index_key, f"{routing}/{account}".encode(), hashlib.sha256).hexdigest()


def key_of(sealed: bytes | memoryview) -> str:
    """Return the name of the key that a value was sealed with. Raises SealBrokenError when it is no sealed value."""
    sealed = bytes(sealed)
    if len(sealed) < 2 + NONCE or sealed[:1] != VERSION:
        raise SealBrokenError("an unknown record")
    return sealed[2 : 2 + sealed[1]].decode("ascii", "replace")


def _bound(head: bytes, about: str) -> bytes:
    return head + about.encode()


def ring() -> KeyRing:
    """Return the keys of this installation."""
    return KeyRing(settings.BANK_KEYS, settings.BANK_INDEX_KEY)


def about_account(authorisation_id: int) -> str:
    """What an account number is sealed for."""
    return f"autopay-account/{authorisation_id}"


def about_file_part(file_id: int, place: int) -> str:
    """What a part of a file is sealed for."""
    return f"autopay-file/{file_id}/{place}"


def about_answers(file_id: int) -> str:
    """What a file from the bank is sealed for while it waits to be taken in."""
    return f"autopay-answers/{file_id}"
