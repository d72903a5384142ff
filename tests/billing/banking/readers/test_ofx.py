"""The reader of bank files: what it takes, held against `ofxtools` (an independent reader), what it refuses, and why."""

import datetime
import io
from decimal import Decimal
from pathlib import Path
from xml.sax.saxutils import escape

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ofxtools.Parser import OFXTree

from billing.banking import readers
from billing.banking.readers import LARGEST, BankFileError
from tests.billing.banking.statements import document, line, ofx1, ofx2, statement

DATA = Path(__file__).parents[3] / "data" / "bank"
D = Decimal


def read(content):
    return readers.read(content, currency="USD")


def referee(content):
    """Rows of (id, day as written, amount) as ofxtools reads them; its instants are in UTC."""
    tree = OFXTree()
    tree.parse(io.BytesIO(content))
    rows = []
    for each in tree.convert().statements:
        rows += [(x.fitid, x.dtposted, x.trnamt, x.name, x.memo) for x in each.transactions]
    return rows


class TestSamples:
    @pytest.mark.parametrize("name", ["same_day_v1.ofx", "same_day_v2.ofx"])
    def test_agree_with_an_independent_reader(self, name):
        content = (DATA / name).read_bytes()
        (account,) = read(content).accounts
        theirs = [(fitid, on.date(), amount) for fitid, on, amount, *_ in referee(content)]
        assert [(x.reference, x.posted_on, x.amount) for x in account.lines] == theirs
        assert (account.balance, account.balance_on) == (D("12345.00"), datetime.date(2026, 11, 1))
        assert [(x.kind, x.name, x.amount) for x in account.lines] == [
            ("credit", "ACH SETTLEMENT RENTALS", D("2500.00")),
            ("debit", "RETURNED ITEM R01", D("-75.00")),
            ("srvchg", "MISC FEES", D("-80.00")),
        ]

    def test_both_spellings_say_the_same(self):
        first, second = (read((DATA / f"same_day_v{n}.ofx").read_bytes()).accounts[0].lines for n in (1, 2))
        assert [(x.reference, x.amount, x.posted_on, x.name) for x in first] == [
            (x.reference, x.amount, x.posted_on, x.name) for x in second
        ]


WORDS = st.text(st.sampled_from("ABCXYZ abc &<>'019-é"), min_size=1, max_size=32).filter(lambda text: text.strip())
AMOUNTS = st.integers(-10_000_000, 10_000_000).filter(bool).map(lambda cents: str(D(cents) / 100))
DAYS = st.dates(datetime.date(2000, 1, 1), datetime.date(2099, 12, 31))
ZONES = st.sampled_from([("", 0), ("[0:GMT]", 0), ("[-5:EST]", -5), ("[-8:PST]", -8), ("[+1:CET]", 1)])
ROWS = st.lists(st.tuples(AMOUNTS, DAYS, st.integers(0, 23), ZONES, WORDS, WORDS), min_size=1, max_size=8)


class TestAgainstAnIndependentReader:
    @given(ROWS, st.sampled_from([1, 2]))
    @settings(max_examples=60, deadline=None)
    def test_amounts_days_ids_and_words(self, rows, version):
        written = [(f"T{n}", *row) for n, row in enumerate(rows)]
        if version == 1:
            content = ofx1(
                *(
                    line(key, amount, f"{day:%Y%m%d}{hour:02}3000{zone[0]}", name=escape(name.strip()), memo=escape(memo.strip()))
                    for key, amount, day, hour, zone, name, memo in written
                ),
                balance="5.00",
            )
        else:
            content = ofx2(
                [
                    (key, amount, f"{day:%Y%m%d}{hour:02}3000{zone[0]}", escape(name.strip()), escape(memo.strip()))
                    for key, amount, day, hour, zone, name, memo in written
                ]
            )
        ours = [(x.reference, x.posted_on, x.amount, x.name, x.memo) for x in read(content).accounts[0].lines]
        offsets = {key: datetime.timedelta(hours=zone[1]) for key, _a, _d, _h, zone, *_ in written}
        theirs = [
            (key, (on + offsets[key]).date(), amount, " ".join(name.split()), " ".join((memo or "").split()))
            for key, on, amount, name, memo in referee(content)
        ]
        assert ours == theirs


class TestTakes:
    def test_two_accounts(self):
        content = document(statement(line("A", "1.00")), statement(line("A", "2.00"), account="2")).encode()
        assert [(x.account_id, x.lines[0].amount) for x in read(content).accounts] == [
            ("1000000001", D("1.00")),
            ("2", D("2.00")),
        ]

    def test_a_card_is_an_account_of_its_own_and_said(self):
        content = GOOD.replace(b"<STMTRS>", b"<CCSTMTRS>").replace(b"</STMTRS>", b"</CCSTMTRS>")
        content = content.replace(b"BANKACCTFROM>", b"CCACCTFROM>").replace(b"<BANKID>056005075", b"")
        found = read(content)
        assert (found.accounts[0].kind, found.accounts[0].lines[0].amount) == ("creditcard", D("30.00"))
        assert "is a credit card" in found.notes[0]

    def test_leaves_of_a_banks_own_that_stand_empty(self):
        content = ofx1(line("A", "1.00")).replace(b"<NAME>", b"<SUBACCT>\n<NAME>")
        assert read(content).accounts[0].lines[0].name == "DEPOSIT"

    def test_an_account_without_lines(self):
        assert read(ofx1(balance="5.00")).accounts[0].lines == ()

    @pytest.mark.parametrize(
        ("written", "amount"),
        [("8,85", "8.85"), ("+75", "75.00"), ("-.5", "-0.50"), ("12.", "12.00"), ("1250.500", "1250.50")],
    )
    def test_amounts_as_the_specification_allows_them(self, written, amount):
        found = read(ofx1(line("A", written)))
        assert found.accounts[0].lines[0].amount == D(amount)
        assert bool(found.notes) == ("," in written)

    def test_windows_letters_and_markup(self):
        content = ofx1(line("A", "1.00", name="CAF\xc9 &amp; CO", memo="AT&T"))
        assert (read(content).accounts[0].lines[0].name, read(content).accounts[0].lines[0].memo) == ("CAFÉ & CO", "AT&T")

    def test_utf_8_where_the_header_says_so(self):
        content = document(statement(line("A", "1.00", name="CAFÉ"))).replace("USASCII", "UTF-8").replace("1252", "NONE").encode()
        assert read(content).accounts[0].lines[0].name == "CAFÉ"

    def test_closed_leaves_and_empty_ones(self):
        content = ofx1(line("A", "1.00")).replace(b"<NAME>DEPOSIT\n", b"<CHECKNUM>\n<NAME>DEPOSIT</NAME>\n<MEMO></MEMO>\n")
        assert read(content).accounts[0].lines[0].name == "DEPOSIT"

    def test_a_payee_in_place_of_a_name(self):
        payee = b"<PAYEE><NAME>SAM<ADDR1>1 ELM<CITY>X<STATE>IL<POSTALCODE>62704<PHONE>1</PAYEE>"
        assert (
            read(ofx1(line("A", "1.00", name="")).replace(b"</STMTTRN>", payee + b"</STMTTRN>")).accounts[0].lines[0].name
            == "SAM"
        )

    def test_lines_without_an_id_are_named_by_their_contents(self):
        first = read(ofx1(line("", "5.00"), line("", "5.00"), line("", "6.00"))).accounts[0].lines
        again = read(ofx1(line("", "6.00"), line("", "5.00"), line("", "5.00"))).accounts[0].lines
        assert len({x.reference for x in first}) == 3
        assert {x.reference for x in first} == {x.reference for x in again}

    def test_two_true_lines_of_one_day_and_sum(self):
        assert len(read(ofx1(line("A", "5.00"), line("B", "5.00"))).accounts[0].lines) == 2

    def test_a_line_that_stands_twice_is_taken_once_and_said(self):
        found = read(ofx1(line("A", "5.00"), line("A", "5.00")))
        assert len(found.accounts[0].lines) == 1
        assert "twice" in found.notes[0]

    def test_lines_over_nothing_are_left_out_and_said(self):
        found = read(ofx1(line("A", "0.00"), line("B", "1.00")))
        assert [x.reference for x in found.accounts[0].lines] == ["B"]
        assert "0.00" in found.notes[0]

    def test_other_line_ends_and_a_byte_order_mark(self):
        content = b"\xef\xbb\xbf" + ofx1(line("A", "1.00")).replace(b"\n", b"\r\n")
        assert read(content).accounts[0].lines[0].amount == D("1.00")


BOMB = """<?xml version="1.0"?>
<!DOCTYPE ofx [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]>
<OFX>&c;</OFX>"""
OUTSIDE = """<?xml version="1.0"?>
<!DOCTYPE ofx [<!ENTITY a SYSTEM "file:///etc/passwd">]>
<OFX>&a;</OFX>"""
GOOD = ofx1(line("A", "30.00"))
GOOD2 = ofx2([("A", "30.00", "20260311", "DEPOSIT", "")])

BAD = {
    "empty": (b" \n", None, "empty"),
    "truncated sgml": (GOOD[: GOOD.index(b"<FITID>")], 22, "ends before <STMTTRN> of line 18"),
    "truncated xml": (GOOD2[: GOOD2.index(b"<FITID>") + 9], 6, "ends before"),
    "header alone": (GOOD[: GOOD.index(b"<OFX>")], 11, "contents are missing"),
    "amount": (ofx1(line("A", "12.3O")), 21, "“12.3O” is not an amount"),
    "thousands": (ofx1(line("A", "1,234.50")), 21, "is not an amount"),
    "thousands without cents": (ofx1(line("A", "1,234")), 21, "more than two digits"),
    "three decimals": (ofx1(line("A", "1.234")), 21, "more than two digits"),
    "brackets": (ofx1(line("A", "(75.00)")), 21, "is not an amount"),
    "no amount": (ofx1(line("A", "")), 21, "has no amount"),
    "too large": (ofx1(line("A", "9" * 14)), 21, "larger than the books"),
    "endless": (ofx1(line("A", "9" * 1_100_000)), 21, "more digits than an amount has"),
    "a digit far behind": (ofx1(line("A", "1." + "0" * 40 + "1")), 21, "more digits than an amount has"),
    "spelling of xml": (GOOD2.replace(b'encoding="UTF-8"', b'encoding="utf-7"'), None, "not readable XML"),
    "no spelling of xml": (GOOD2.replace(b'encoding="UTF-8"', b'encoding="nowhere"'), None, "not readable XML"),
    "day": (ofx1(line("A", "5.00", "20260230")), 20, "“20260230” is not a day"),
    "american day": (ofx1(line("A", "5.00", "03/11/2026")), 20, "is not a day"),
    "no day": (ofx1(line("A", "5.00", "")), 20, "has no day"),
    "far day": (ofx1(line("A", "5.00", "02260311")), 20, "is not a day"),
    "currency": (ofx1(line("A", "5.00"), currency="CAD"), 15, "kept in CAD"),
    "no currency": (ofx1(line("A", "5.00"), currency=""), 15, "names no currency"),
    "no account": (document("").encode(), None, "holds no account"),
    "no account number": (ofx1(line("A", "5.00"), account=""), 16, "of which account"),
    "investment": (GOOD.replace(b"STMTRS>", b"INVSTMTRS>"), None, "an investment account"),
    "ids": (ofx1(line("A", "5.00"), line("A", "6.00")), 25, "The bank’s id A already stands at line 18"),
    "account twice": (document(statement(line("A", "5.00")), statement(line("B", "6.00"))).encode(), 28, "a second time"),
    "answer": (GOOD.replace(b"<CODE>0<SEVERITY>INFO", b"<CODE>2000<SEVERITY>ERROR<MESSAGE>Try later"), 12, "Try later"),
    "letters": (ofx1(line("A", "5.00")).replace(b"DEPOSIT", b"D\x81POSIT"), 23, "does not belong to"),
    "utf-8": (GOOD.replace(b"USASCII", b"UTF-8").replace(b"DEPOSIT", b"CAF\xc9"), 23, "does not belong to"),
    "control": (GOOD.replace(b"DEPOSIT", b"D\x00POSIT"), 23, "is not text"),
    "entities": (BOMB.encode(), 2, "entities or a document type"),
    "outside": (OUTSIDE.encode(), 2, "entities or a document type"),
    "entities in sgml": (GOOD.replace(b"<OFX>", b'<!ENTITY a "x">\n<OFX>'), 11, "entities or a document type"),
    "closing": (GOOD.replace(b"</STMTTRN>", b"</STMTRS>"), 24, "does not fit here"),
    "words between": (GOOD.replace(b"</BANKTRANLIST>", b"</BANKTRANLIST> hello <X>1"), 25, "“hello” stands where"),
    "deep": (GOOD.replace(b"<BANKTRANLIST>", b"<A>" * 30 + b"</A>"), 17, "nested"),
    "xml": (GOOD2.replace(b"</NAME>", b"</NOME>"), 6, "not closed"),
}


class TestRefuses:
    @pytest.mark.parametrize("name", BAD)
    def test_with_the_line_and_the_reason(self, name):
        content, at, reason = BAD[name]
        with pytest.raises(BankFileError) as refused:
            read(content)
        assert reason in refused.value.reason
        assert refused.value.line == at
        assert refused.value.advice.endswith(".")
        assert str(refused.value).startswith(f"Line {at}: " if at else refused.value.reason)

    def test_a_file_over_five_megabytes(self):
        with pytest.raises(BankFileError, match="larger than 5 MB"):
            read(b"x" * (LARGEST + 1))

    @given(st.binary(max_size=300))
    @settings(max_examples=150, deadline=None)
    def test_whatever_bytes_in_words(self, noise):
        for content in (noise, GOOD[:400] + noise, GOOD2[:300] + noise, GOOD.replace(b"DEPOSIT", noise)):
            try:
                read(content)
            except (BankFileError, readers.MappingNeededError) as refused:
                assert str(refused)

    @given(st.integers(12, len(GOOD) - 1))
    @settings(max_examples=100, deadline=None)
    def test_every_file_cut_short(self, place):
        with pytest.raises(BankFileError):
            read(GOOD[: GOOD.rindex(b"</OFX>")][:place])


class TestSize:
    """A small file of empty elements is no bank's, and would cost a lot to look through."""

    @pytest.mark.parametrize(
        "content",
        [
            b"OFXHEADER:100\n\n<OFX>" + b"<A>x" * 300_001 + b"</OFX>",
            b'<?xml version="1.0"?><OFX>' + b"<A/>" * 300_001 + b"</OFX>",
        ],
    )
    def test_more_elements_than_a_bank_writes_are_refused(self, content):
        with pytest.raises(BankFileError, match="more than 300,000 elements"):
            readers.read(content, currency="USD")
