"""Opens the file in which a tablet hands over what it could not send (`static/js/night/handoff.js` writes it)."""

import base64
import binascii
import json
import unicodedata
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.pbkdf2 import PBKDF2HMAC

WHAT, FORMAT = "night unsent", 1
MOST_ROUNDS = 5_000_000


class NotAHandOffError(Exception):
    """The file was not made by a tablet, or is not whole any more."""

    def __init__(self) -> None:
        super().__init__("That file holds no sign-ups of a tablet. Choose one whose name begins with “not-sent-night”.")


class WrongPassphraseError(Exception):
    """The passphrase is not the one of the tablet that made the file."""

    def __init__(self) -> None:
        super().__init__("That is not the passphrase of the tablet this file comes from. Ask who chose it.")


def open_file(content: bytes, passphrase: str) -> list[dict[str, Any]]:
    """Return the envelopes of a hand-off file, the oldest first.

    The key of the records is AES-256, wrapped by AES-GCM under PBKDF2-HMAC-SHA-256 of the passphrase (RFC 8018), and every record
    is AES-GCM bound to its kind and id. Raises NotAHandOffError, WrongPassphraseError.
    """
    try:
        told = json.loads(content)
        if told["what"] != WHAT or told["format"] != FORMAT or not 1 <= told["key"]["rounds"] <= MOST_ROUNDS:
            raise NotAHandOffError
        salt, iv, wrapped = (base64.b64decode(told["key"][name]) for name in ("salt", "iv", "wrapped"))
        rows = sorted(told["rows"], key=lambda row: row["at"])
        words = unicodedata.normalize("NFKC", passphrase).strip().encode()
        wrapping = PBKDF2HMAC(SHA256(), 32, salt, told["key"]["rounds"]).derive(words)
        key = _open(wrapping, iv, wrapped)
        return [json.loads(_open_row(key, row))["envelope"] for row in rows]
    except (ValueError, KeyError, TypeError, binascii.Error) as error:
        raise NotAHandOffError from error


def _open(wrapping: bytes, iv: bytes, wrapped: bytes) -> AESGCM:
    try:
        return AESGCM(AESGCM(wrapping).decrypt(iv, wrapped, None))
    except InvalidTag as error:
        raise WrongPassphraseError from error


def _open_row(key: AESGCM, row: dict[str, Any]) -> bytes:
    try:
        bound = f"{row['kind']}/{row['id']}".encode()
        return key.decrypt(base64.b64decode(row["iv"]), base64.b64decode(row["sealed"]), bound)
    except InvalidTag as error:
        raise NotAHandOffError from error
