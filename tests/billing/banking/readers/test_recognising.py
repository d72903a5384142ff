"""A file is known by what stands in it; what is none of a bank's is named in one sentence, and nothing harmful is unfolded."""

import gzip
import io
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing.banking import readers

OTHERS = {
    "pdf": (b"%PDF-1.7\n...", "a PDF"),
    "spreadsheet": (b"PK\x03\x04" + bytes(40), "a packed file or a spreadsheet"),
    "packed": (gzip.compress(b"x"), "a packed file"),
    "qif": (b"!Type:Bank\nD1/1'26\n", "a QIF file"),
    "web page": (b"<!DOCTYPE html><html></html>", "a web page"),
    "mt940": (b":20:STMT\n:25:1\n", "MT940"),
    "xml": (b"<?xml version='1.0'?><note/>", "XML of another kind"),
}


@pytest.mark.parametrize("name", OTHERS)
def test_says_what_it_is_instead(name):
    content, what = OTHERS[name]
    with pytest.raises(readers.BankFileError) as refused:
        readers.read(content, currency="USD")
    assert what in refused.value.reason
    assert refused.value.line == 1


def test_a_packed_bomb_is_never_unpacked():
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../../statement.ofx", bytes(8 * 1024 * 1024))
    with pytest.raises(readers.BankFileError, match="packed file"):
        readers.read(packed.getvalue(), currency="USD")


@pytest.mark.parametrize("content", [b"", b" \n\t"])
def test_nothing_in_it(content):
    with pytest.raises(readers.BankFileError, match="empty"):
        readers.read(content, currency="USD")


def test_more_than_five_megabytes():
    with pytest.raises(readers.BankFileError, match="larger than 5 MB"):
        readers.read(b"x" * (readers.LARGEST + 1), currency="USD")


@given(st.binary(max_size=300))
@settings(max_examples=200, deadline=None)
def test_whatever_bytes_are_answered_in_words(noise):
    for content in (
        noise,
        b"01,A,B,261102,0600,1,,,2/\n" + noise,
        b"<Document xmlns='iso:20022'>" + noise,
        b"Date,Text\n" + noise,
    ):
        try:
            readers.read(content, currency="USD")
        except (readers.BankFileError, readers.MappingNeededError) as refused:
            assert str(refused)
