"""Frames that are left out, exchanged, told twice or cut off at their very edge are seen; each frame alone would still open."""

import io
import itertools
import os

import pytest

from rentals.runtime.backups.errors import ArchiveRefusedError
from rentals.runtime.backups.sealing import FRAME, HEAD, TAG, SealedReader, SealedWriter

SECRET = b"five words for this test"
PLAIN = os.urandom(2 * FRAME + 1234)


def opened(sealed: bytes) -> bytes:
    return SealedReader(io.BytesIO(sealed), SECRET).read(10 * FRAME)


@pytest.fixture(scope="module")
def frames() -> list[bytes]:
    """The head, two whole frames and the last one."""
    target = io.BytesIO()
    writer = SealedWriter(target, SECRET)
    for start in range(0, len(PLAIN), 100_000):
        writer.write(PLAIN[start : start + 100_000])
    writer.finish()
    sealed = target.getvalue()
    edges = [0, HEAD, HEAD + FRAME + TAG, HEAD + 2 * (FRAME + TAG), len(sealed)]
    return [sealed[left:right] for left, right in itertools.pairwise(edges)]


class TestSealed:
    def test_comes_back_as_it_was(self, frames):
        assert opened(b"".join(frames)) == PLAIN

    @pytest.mark.parametrize("size", [0, 1, FRAME, 2 * FRAME])
    def test_comes_back_at_the_edges_of_frames(self, size):
        target = io.BytesIO()
        writer = SealedWriter(target, SECRET)
        writer.write(PLAIN[:size])
        writer.finish()
        assert opened(target.getvalue()) == PLAIN[:size]

    @pytest.mark.parametrize(
        ("order", "sentence"),
        [
            ([0, 1, 2], "cut short"),
            ([0, 1], "cut short"),
            ([0], "cut short"),
            ([0, 2, 1, 3], "bytes were changed"),
            ([0, 1, 3], "bytes were changed"),
            ([0, 1, 1, 2, 3], "bytes were changed"),
            ([0, 1, 2, 3, 3], "bytes were changed"),
        ],
    )
    def test_is_refused_in_any_other_order(self, frames, order, sentence):
        with pytest.raises(ArchiveRefusedError, match=sentence):
            opened(b"".join(frames[place] for place in order))

    def test_no_two_are_sealed_alike(self):
        made = []
        for _ in range(2):
            target = io.BytesIO()
            writer = SealedWriter(target, SECRET)
            writer.finish()
            made.append(target.getvalue())
        assert made[0][HEAD:] != made[1][HEAD:]
