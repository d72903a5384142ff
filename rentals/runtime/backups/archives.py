"""What lies inside the seal: parts with a name (the database's dump, each file), then the manifest that knows their SHA-256.

A record is a letter (P begins a part, D is data of it, M the manifest and the end), a length of four bytes and so many bytes.
"""

import hashlib
import json
import struct
from collections.abc import Callable, Generator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Protocol

from rentals.runtime.backups.errors import ArchiveRefusedError, BackupError
from rentals.runtime.backups.sealing import SealedReader, SealedWriter, Writable
from rentals.runtime.backups.steps import finish

DATABASE = "database"
FILES = "files/"
RECORD = struct.Struct(">cI")
LONGEST = 1 << 26
"""No record is longer, so that a broken length cannot ask for all the memory."""


class Sink(Protocol):
    """Takes the bytes of one part."""

    def write(self, data: bytes) -> None:
        """Take the next bytes."""


Sinks = Callable[[str], AbstractContextManager[Sink]]
"""Part name -> where its bytes go, open as long as the part lasts; leaving it may raise BackupError."""


class ArchiveWriter:
    """Writes parts one after the other, then the manifest."""

    def __init__(self, target: Writable, secret: bytes) -> None:
        self._sealed = SealedWriter(target, secret)
        self._parts: dict[str, dict[str, Any]] = {}
        self._digest = hashlib.sha256()
        self._name = ""
        self._size = 0

    def begin(self, name: str) -> None:
        """Begin a part."""
        self._end()
        self._name, self._size, self._digest = name, 0, hashlib.sha256()
        self._record(b"P", name.encode())

    def write(self, data: bytes) -> None:
        """Add to the part that was begun."""
        self._digest.update(data)
        self._size += len(data)
        self._record(b"D", data)

    def finish(self, manifest: dict[str, Any]) -> dict[str, Any]:
        """Add the parts to the manifest, write it and end the archive. Returns the manifest as written."""
        self._end()
        whole = {**manifest, "parts": self._parts}
        self._record(b"M", json.dumps(whole, sort_keys=True).encode())
        self._sealed.finish()
        return whole

    def _end(self) -> None:
        if self._name:
            self._parts[self._name] = {"size": self._size, "sha256": self._digest.hexdigest()}
        self._name = ""

    def _record(self, kind: bytes, data: bytes) -> None:
        self._sealed.write(RECORD.pack(kind, len(data)))
        self._sealed.write(data)


def read_archive(path: Path, secret: bytes, sinks: Sinks) -> dict[str, Any]:
    """Read a whole archive, give each part's bytes to its sink, hold all against the manifest and return that.

    What a sink was given counts only when this returns: the manifest comes last. Raises ArchiveRefusedError, BackupError.
    """
    return finish(read_steps(path, secret, sinks))


def read_steps(path: Path, secret: bytes, sinks: Sinks) -> Generator[int, None, dict[str, Any]]:
    """Do what `read_archive` does step by step, and yield how many bytes were read of each record."""
    try:
        with path.open("rb") as source:
            return (yield from _read(SealedReader(source, secret), sinks))
    except ArchiveRefusedError as error:
        raise ArchiveRefusedError(f"{path} is refused: {error}. Nothing was touched.") from error
    except FileNotFoundError:
        raise BackupError(f"There is no file {path}: `python3 manage.py backup --list` names those there are.") from None
    except (IsADirectoryError, PermissionError) as error:
        raise BackupError(f"{path} cannot be read ({error.strerror}).") from error


def _read(sealed: SealedReader, sinks: Sinks) -> Generator[int, None, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    kind, data = _next(sealed)
    while kind == b"P":
        name, digest, size = data.decode(), hashlib.sha256(), 0
        with sinks(name) as sink:
            kind, data = _next(sealed)
            while kind == b"D":
                digest.update(data)
                size += len(data)
                sink.write(data)
                yield len(data)
                kind, data = _next(sealed)
        found[name] = {"size": size, "sha256": digest.hexdigest()}
    if kind != b"M" or sealed.read(1):
        raise ArchiveRefusedError("its parts do not follow each other as they should")
    manifest: dict[str, Any] = json.loads(data)
    if manifest.get("parts") != found or DATABASE not in found:
        raise ArchiveRefusedError("its parts are not those that its manifest names")
    return manifest


def _next(sealed: SealedReader) -> tuple[bytes, bytes]:
    head = sealed.read(RECORD.size)
    if len(head) < RECORD.size:
        raise ArchiveRefusedError("it ends before its manifest")
    kind, length = RECORD.unpack(head)
    if length > LONGEST:
        raise ArchiveRefusedError("a part of it has an impossible length")
    return kind, sealed.read(length)
