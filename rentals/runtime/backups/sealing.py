"""A stream sealed in frames, so that a changed, exchanged, lost or missing frame is seen before a byte of it is used.

AES-256-GCM over frames of one mebibyte in the STREAM construction (Hoang, Reyhanitabar, Rogaway, Vizár: Online Authenticated-
Encryption and its Nonce-Reuse Misuse-Resistance, 2015): the nonce counts the frames and marks the last one, so that a stream
that ends without it was cut short. The key is derived by scrypt (RFC 7914) from what the key file says and a salt of the
archive's own, so no key ever seals two archives. Parameters of scrypt: OWASP Password Storage Cheat Sheet (N=2^17, r=8, p=1).
"""

import hmac
import os
import struct
from typing import IO, Protocol

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from rentals.runtime.backups.errors import ArchiveRefusedError

MAGIC = b"office backup\n"
VERSION = 1
SALT = 32
CHECK = 16
HEAD = len(MAGIC) + 1 + SALT + CHECK
FRAME = 1 << 20
TAG = 16


class Writable(Protocol):
    """Where sealed bytes go."""

    def write(self, data: bytes, /) -> object:
        """Take all of the bytes, or raise OSError."""


class SealedWriter:
    """Takes plain bytes, writes sealed frames. Only `finish` makes the stream whole."""

    def __init__(self, target: Writable, secret: bytes) -> None:
        salt = os.urandom(SALT)
        key, check = _derive(secret, salt)
        self._target, self._cipher = target, AESGCM(key)
        self._head = MAGIC + bytes([VERSION]) + salt + check
        self._waiting = bytearray()
        self._count = 0
        target.write(self._head)

    def write(self, data: bytes) -> None:
        """Add plain bytes."""
        self._waiting += data
        while len(self._waiting) > FRAME:
            self._seal(bytes(self._waiting[:FRAME]), last=False)
            del self._waiting[:FRAME]

    def finish(self) -> None:
        """Write the last frame."""
        self._seal(bytes(self._waiting), last=True)
        self._waiting.clear()

    def _seal(self, plain: bytes, *, last: bool) -> None:
        self._target.write(self._cipher.encrypt(_nonce(self._count, last=last), plain, self._head))
        self._count += 1


class SealedReader:
    """Gives the plain bytes of a sealed stream, each frame only after it was proved. Raises ArchiveRefusedError."""

    def __init__(self, source: IO[bytes], secret: bytes) -> None:
        self._source = source
        self._head = source.read(HEAD)
        refuse_foreign(self._head)
        salt = self._head[len(MAGIC) + 1 : -CHECK]
        key, check = _derive(secret, salt)
        if not hmac.compare_digest(check, self._head[-CHECK:]):
            raise ArchiveRefusedError(
                "it was sealed with another key, or its beginning was changed: name the key file that was in use when it was "
                "made in OFFICE_BACKUP_KEY_FILE"
            )
        self._cipher = AESGCM(key)
        self._count = 0
        self._ahead = source.read(FRAME + TAG)
        self._plain = bytearray()
        self._ended = False

    def read(self, size: int) -> bytes:
        """Return exactly `size` plain bytes, fewer only at the end of a whole stream."""
        while len(self._plain) < size and not self._ended:
            self._open_next()
        taken = bytes(self._plain[:size])
        del self._plain[:size]
        return taken

    def _open_next(self) -> None:
        frame, self._ahead = self._ahead, self._source.read(FRAME + TAG)
        last = not self._ahead
        plain = self._open(frame, last=last)
        if plain is None:
            if last and (not frame or self._open(frame, last=False) is not None):
                raise ArchiveRefusedError("its end is missing: it was cut short")
            raise ArchiveRefusedError(
                f"its bytes were changed or its end is missing (part {self._count + 1} of about 1 MB does not open)"
            )
        self._plain += plain
        self._count += 1
        self._ended = last

    def _open(self, frame: bytes, *, last: bool) -> bytes | None:
        try:
            return self._cipher.decrypt(_nonce(self._count, last=last), frame, self._head)
        except (InvalidTag, ValueError):
            return None


def refuse_foreign(head: bytes) -> None:
    """Refuse the beginning of a file that is none of ours, in words that help. Raises ArchiveRefusedError."""
    if not head:
        raise ArchiveRefusedError("it is empty")
    if head.startswith(b"PGDMP"):
        raise ArchiveRefusedError("it is a bare dump of PostgreSQL (pg_dump), not a backup of the office")
    if not head.startswith(MAGIC):
        cut = MAGIC.startswith(head)
        raise ArchiveRefusedError("its end is missing: it was cut short" if cut else "it is not a backup of the office")
    if len(head) < HEAD:
        raise ArchiveRefusedError("its end is missing: it was cut short")
    if head[len(MAGIC)] != VERSION:
        raise ArchiveRefusedError(
            f"it is of format {head[len(MAGIC)]}, and this version of the office reads format {VERSION}: it was made by "
            "another version, or its beginning was changed"
        )


def _derive(secret: bytes, salt: bytes) -> tuple[bytes, bytes]:
    """Return the key, and what tells a wrong key from a broken archive."""
    made = Scrypt(salt=salt, length=32 + CHECK, n=1 << 17, r=8, p=1).derive(secret)
    return made[:32], made[32:]


def _nonce(count: int, *, last: bool) -> bytes:
    return struct.pack(">7xIB", count, last)
