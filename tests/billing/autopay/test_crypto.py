"""Sealed values: bound to their row, named by key, rotated, and gone with a key that was taken away."""

import io
import os

import pytest
from django.core.management import CommandError, call_command
from django.test import override_settings
from hypothesis import given
from hypothesis import strategies as st

from billing.autopay import crypto, rotation
from billing.autopay.crypto import KeyMissingError, KeyRing, SealBrokenError
from billing.models import AutopayAuthorisation, AutopayFilePart
from tests.billing.autopay.conftest import CANARY, authorised
from tests.billing.autopay.test_running import sent_run
from tests.billing.factories import HouseholdFactory

OLD, NEW, INDEX = (os.urandom(32) for _ in range(3))
RING = KeyRing({"new": NEW, "old": OLD}, INDEX)


class TestKeyRing:
    @given(st.binary(max_size=300), st.text(max_size=30))
    def test_opens_what_it_sealed_for_the_same_thing_only(self, plain, about):
        sealed = RING.seal(plain, about=about)
        assert RING.open(sealed, about=about) == plain
        assert RING.seal(plain, about=about) != sealed
        with pytest.raises(SealBrokenError):
            RING.open(sealed, about=about + "x")

    @given(st.integers(0, 60), st.integers(1, 255))
    def test_no_byte_can_be_changed(self, place, flip):
        sealed = bytearray(RING.seal(b"7391846205518", about="row/1"))
        sealed[place % len(sealed)] ^= flip
        with pytest.raises((SealBrokenError, KeyMissingError)):
            RING.open(bytes(sealed), about="row/1")

    def test_older_keys_open_and_the_newest_seals(self):
        sealed = KeyRing({"old": OLD}, INDEX).seal(b"12345", about="row/1")
        assert RING.open(sealed, about="row/1") == b"12345"
        assert crypto.key_of(RING.seal(b"12345", about="row/1")) == "new"
        with pytest.raises(KeyMissingError, match="“old”"):
            KeyRing({"new": NEW}, INDEX).open(sealed, about="row/1")

    def test_shows_no_key(self):
        assert repr(NEW)[2:-1] not in repr(RING)
        assert "keys" not in repr(RING)


class TestTwoRowsExchanged:
    def test_neither_opens(self, setup):
        first, second = authorised(HouseholdFactory()), authorised(HouseholdFactory(), number="4445556667")
        for row, other in ((first, second), (second, first)):
            AutopayAuthorisation.objects.filter(pk=row.pk).update(account_sealed=other.account_sealed)
        for row in AutopayAuthorisation.objects.all():
            with pytest.raises(SealBrokenError):
                crypto.ring().open(row.account_sealed, about=crypto.about_account(row.pk))


class TestRotate:
    def test_seals_everything_anew_and_the_old_key_can_go(self, setup):
        run = sent_run()
        bytes_before = b"".join(_parts(run))
        index_before = AutopayAuthorisation.objects.get().account_index
        from django.conf import settings

        with override_settings(BANK_KEYS={"2027": NEW, **settings.BANK_KEYS}, BANK_INDEX_KEY=INDEX):
            assert rotation.list_keys_in_use() == {"development": 2}
            call_command("rotate_bank_keys", stdout=io.StringIO())
            assert rotation.list_keys_in_use() == {"2027": 2}
            assert sum(rotation.rotate().values()) == 0
        with override_settings(BANK_KEYS={"2027": NEW}, BANK_INDEX_KEY=INDEX):
            row = AutopayAuthorisation.objects.get()
            assert crypto.ring().open(row.account_sealed, about=crypto.about_account(row.pk)).decode() == CANARY
            assert row.account_index != index_before
            assert b"".join(_parts(run)) == bytes_before

    def test_says_which_key_is_missing(self, authorisation):
        with override_settings(BANK_KEYS={"2027": NEW}), pytest.raises(CommandError, match="“development”"):
            call_command("rotate_bank_keys")

    def test_a_part_of_a_file_is_never_changed_for_another(self, setup):
        from django.db import IntegrityError

        sent_run()
        part = AutopayFilePart.objects.get()
        with pytest.raises(IntegrityError):
            AutopayFilePart.objects.filter(pk=part.pk).update(sealed=bytes(part.sealed) + b"x")


def _parts(run):
    from billing.autopay import filing

    return filing.read_parts(run.file)
