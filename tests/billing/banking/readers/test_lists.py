"""Lists in CSV: what banks do to days, amounts, signs, spelling and rows, read by a mapping; what is refused, by its line.

There is no standard (RFC 4180 is the common ground): the ways of writing are common practice, no source.
"""

import datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.banking import readers
from billing.banking.readers.amounts import as_amount, as_day

D = Decimal
DAY = datetime.date(2026, 11, 2)
PLAIN = readers.Mapping(date=0, name=1, amount=2)
WITH_BALANCE = readers.Mapping(date=0, name=1, amount=2, balance=3)


def read(text, mapping=PLAIN, encoding="utf-8"):
    return readers.read(text.encode(encoding), currency="USD", mapping=mapping)


def lines(text, mapping=PLAIN, encoding="utf-8"):
    return read(text, mapping, encoding).accounts[0].lines


class TestAmounts:
    @pytest.mark.parametrize(
        ("written", "decimal", "amount"),
        [
            ("8.85", ".", "8.85"), ("8,85", ",", "8.85"), ("1,250.50", ".", "1250.50"), ("1.250,50", ",", "1250.50"),
            ("1 250,50", ",", "1250.50"), ("1’250.50", ".", "1250.50"), ("(75.00)", ".", "-75.00"), ("75.00-", ".", "-75.00"),
            ("-75.00", ".", "-75.00"), ("- 75.00", ".", "-75.00"), ("−75.00", ".", "-75.00"), ("+75.00", ".", "75.00"),
            ("$75.00", ".", "75.00"), ("-$75.00", ".", "-75.00"), ("($1,075.00)", ".", "-1075.00"), ("75.00 USD", ".", "75.00"),
            ("75.00 DR", ".", "-75.00"), ("75.00CR", ".", "75.00"), ("75", ".", "75.00"),
            (".50", ".", "0.50"), ("5.", ".", "5.00"),
            ("1,234,567.89", ".", "1234567.89"), ("1\u00a0250,50", ",", "1250.50"),
        ],
    )  # fmt: skip
    def test_are_read(self, written, decimal, amount):
        assert as_amount(written, decimal) == D(amount)

    @pytest.mark.parametrize(
        ("written", "decimal"),
        [
            ("8,85", "."), ("8.85", ","), ("1,25.00", "."), ("1.250.00", "."), ("12.3O", "."), ("", "."), ("-", "."), ("()", "."),
            ("(-75.00)", "."), ("-75.00-", "."), ("-75.00 DR", "."), ("(75.00) CR", "."), ("75.00.", "."), ("1e5", "."),
            ("٣", "."), ("=1+1", "."), ("75 00", "."), ("N/A", "."),
        ],
    )  # fmt: skip
    def test_are_not_guessed(self, written, decimal):
        assert as_amount(written, decimal) is None


NEGATIVES = ["-{}", "{}-", "({})", "−{}", "{} DR", "- {}", "-${}", "(${})"]


@given(
    st.integers(-(10**11), 10**11), st.sampled_from(".,"), st.sampled_from(["", ",", ".", " ", "’"]), st.sampled_from(NEGATIVES)
)
def test_every_amount_in_every_way_of_writing_is_read_as_it_was_meant(cents, decimal, between, negative):
    if between == decimal:
        return
    meant = D(cents) / 100
    whole, _point, parts = f"{abs(meant):.2f}".partition(".")
    figure = f"{int(whole):,}".replace(",", between) + decimal + parts
    assert as_amount(negative.format(figure) if meant < 0 else figure, decimal) == meant


class TestDays:
    @pytest.mark.parametrize(
        ("written", "order"),
        [
            ("11/02/2026", "mdy"), ("11-2-26", "mdy"), ("02.11.2026", "dmy"), ("2/11/26", "dmy"), ("2026-11-02", "ymd"),
            ("2026/11/2", "ymd"), ("20261102", "ymd"), ("11022026", "mdy"), ("02112026", "dmy"), ("2 Nov 2026", "mdy"),
            ("02-Nov-26", "ymd"), ("Nov 2, 2026", "dmy"), ("November 2, 2026", "mdy"), ("11/02/2026 14:30", "mdy"),
            ("2026-11-02T09:00:00Z", "ymd"),
        ],
    )  # fmt: skip
    def test_are_read(self, written, order):
        assert as_day(written, order) == DAY

    @pytest.mark.parametrize(
        ("written", "order"),
        [("13/02/2026", "mdy"), ("02/30/2026", "mdy"), ("2026-11-02", "mdy"), ("11/02", "mdy"), ("soon", "mdy"), ("", "mdy"),
         ("1 Foo 2026", "mdy"), ("11/02/226", "mdy"), ("11/02/0026", "mdy")],
    )  # fmt: skip
    def test_are_not_guessed(self, written, order):
        assert as_day(written, order) is None


class TestLists:
    def test_debit_and_credit_in_columns_of_their_own(self):
        mapping = readers.Mapping(date=0, name=1, debit=2, credit=3)
        found = lines("Date,Text,Withdrawals,Deposits\n11/02/2026,A,75.00,\n11/02/2026,B,,30.00\n11/02/2026,C,-5.00,\n", mapping)
        assert [x.amount for x in found] == [D("-75.00"), D("30.00"), D("-5.00")]

    def test_a_column_that_says_which_side(self):
        mapping = readers.Mapping(date=0, name=1, amount=2, side=3)
        found = lines("Date,Text,Amount,Type\n11/02/2026,A,75.00,Debit\n11/02/2026,B,30.00,CR\n", mapping)
        assert [x.amount for x in found] == [D("-75.00"), D("30.00")]

    def test_signs_the_other_way_round(self):
        mapping = readers.Mapping(date=0, name=1, amount=2, is_flipped=True)
        assert [x.amount for x in lines("Date,Text,Amount\n11/02/2026,A,75.00\n", mapping)] == [D("-75.00")]

    @pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
    def test_whatever_divides_the_cells(self, delimiter):
        text = 'Date,Text,Amount\n11/02/2026,"A, B; C",75.00\n11/03/2026,D,1.00\n'.replace(",", delimiter).replace(
            f"A{delimiter}", "A,"
        )
        assert [x.amount for x in lines(text)] == [D("75.00"), D("1.00")]

    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be"])
    def test_whatever_it_is_spelled_in(self, encoding):
        assert lines("Date,Text,Amount\n11/02/2026,CAFÉ,75.00\n", encoding=encoding)[0].name == "CAFÉ"

    def test_without_a_header(self):
        assert [x.line for x in lines("11/02/2026,A,75.00\n11/03/2026,B,1.00\n")] == [1, 2]

    def test_rows_above_and_below_the_list(self):
        found = read("Account 1234\nBalance,1.00\n\nDate,Text,Amount\n11/02/2026,A,75.00\n,Closing,\nEnd of list\n")
        assert [(x.line, x.amount) for x in found.accounts[0].lines] == [(5, D("75.00"))]
        assert (
            found.notes == ("Rows without a day and an amount are left out, like line 6: “ Closing ”.",)
            or "line 6" in found.notes[0]
        )

    def test_a_text_over_two_lines_keeps_the_count_of_lines(self):
        found = lines('Date,Text,Amount\n11/02/2026,"A\nB",75.00\n11/03/2026,C,1.00\n')
        assert [(x.name, x.line) for x in found] == [("A B", 2), ("C", 4)]

    def test_two_true_lines_of_one_day_and_sum_are_two_and_the_same_two_again(self):
        text = "Date,Text,Amount\n11/02/2026,A,75.00\n11/02/2026,A,75.00\n"
        first, again = lines(text), lines(text.replace("Date,Text,Amount\n", "Date,Text,Amount\n11/03/2026,B,1.00\n"))
        assert len({x.reference for x in first}) == 2
        assert {x.reference for x in first} == {x.reference for x in again[1:]}

    def test_control_characters_of_direction_are_taken_out(self):
        assert lines("Date,Text,Amount\n11/02/2026,A\u202eB,75.00\n")[0].name == "A B"


class TestRunningBalance:
    ROWS = ["11/01/2026,A,100.00,150.00", "11/01/2026,B,-30.00,120.00", "11/02/2026,C,5.00,125.00"]

    @pytest.mark.parametrize("backwards", [False, True])
    def test_tells_opening_and_closing_whichever_comes_first(self, backwards):
        rows = self.ROWS[::-1] if backwards else self.ROWS
        (account,) = read("\n".join(["Date,Text,Amount,Balance", *rows]), WITH_BALANCE).accounts
        assert (account.opening, account.balance, account.balance_on, account.missing) == (
            D("50.00"),
            D("125.00"),
            DAY,
            D("0.00"),
        )

    @pytest.mark.parametrize(
        ("change", "at"),
        [
            (("B,-30.00", "B,30.00"), 3),
            (("11/01/2026,B,-30.00,120.00\n", ""), 3),
            (("125.00", "126.00"), 4),
        ],
    )
    def test_finds_a_line_that_does_not_follow(self, change, at):
        text = "\n".join(["Date,Text,Amount,Balance", *self.ROWS]).replace(*change)
        with pytest.raises(readers.BankFileError, match="does not follow from") as refused:
            read(text, WITH_BALANCE)
        assert refused.value.line == at

    def test_that_is_told_once_a_day_is_no_check(self):
        text = "\n".join(["Date,Text,Amount,Balance", *self.ROWS]).replace("150.00", "")
        assert read(text, WITH_BALANCE).accounts[0].balance is None


HEAD = "Date,Text,Amount\n"
BAD = {
    "day": (HEAD + "11/02/2026,A,1.00\n13/02/2026,B,2.00\n", 3, "is not a day written as month, day, year"),
    "amount": (HEAD + "11/02/2026,A,8,85\n11/02/2026,A,12.3O\n", 3, "“12.3O” is not an amount with a point"),
    "no amount": (HEAD + "11/02/2026,A,\n", 2, "has no amount"),
    "three decimals": (HEAD + "11/02/2026,A,1.234\n", 2, "more than two digits"),
    "too large": (HEAD + "11/02/2026,A,99999999999999.00\n", 2, "larger than the books"),
    "cut": (HEAD + "11/02/2026,A,1.00\n11/03/2026,B", 3, "ends after 2 of 3 columns"),
    "quote": (HEAD + '11/02/2026,"A,1.00\n', 2, "never closed"),
    "quotes": (HEAD + '11/02/2026,"A"B,1.00\n', 2, "do not pair"),
    "no line": (HEAD + "x,y,z\n", 2, "no line with a day"),
    "columns": (",".join(["1"] * 50_000), 1, "has 50,000 columns"),
    "null": (HEAD + "11/02/2026,A\x00B,1.00\n", 2, "is not text"),
    "words": ("hello\nworld\n", 1, "no file that is read here"),
}


@pytest.mark.parametrize("name", BAD)
def test_refuses_with_the_line_and_the_reason(name):
    text, at, reason = BAD[name]
    with pytest.raises(readers.BankFileError) as refused:
        read(text)
    assert reason in refused.value.reason
    assert refused.value.line == at
    assert refused.value.advice.endswith(".")


def test_both_columns_filled_or_none():
    mapping = readers.Mapping(date=0, name=1, debit=2, credit=3)
    for row in ("11/02/2026,A,5.00,6.00", "11/02/2026,A,,"):
        with pytest.raises(readers.BankFileError, match="in both columns"):
            read(f"Date,Text,Out,In\n{row}\n", mapping)


def test_a_list_without_a_mapping_is_asked_about():
    with pytest.raises(readers.MappingNeededError) as needed:
        readers.read(b"Date,Text,Amount\n11/02/2026,A,1.00\n", currency="USD")
    assert needed.value.sheet.names == ["Date", "Text", "Amount"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "Posting Date;Details;Withdrawals;Deposits;Running Balance;Check Number\n"
            "02.11.2026;A;1.075,00;;5,00;\n13.11.2026;B;;1,00;6,00;12\n",
            {"date": 0, "name": 1, "debit": 2, "credit": 3, "balance": 4, "cheque": 5, "order": "dmy", "decimal": ","},
        ),
        (
            "Date,Description,Amount,Type\n2026-11-02,A,1.00,DR\n2026-11-03,A,1.00,CR\n",
            {"date": 0, "name": 1, "amount": 2, "side": 3, "order": "ymd", "decimal": "."},
        ),
    ],
)
def test_what_is_guessed_from_names_and_values(text, expected):
    sheet = readers.read_sheet(text.encode())
    assert {key: value for key, value in readers.guess(sheet).items() if key != "memo"} == expected


def test_a_layout_is_known_again_and_another_is_not():
    first, again = (readers.read_sheet(f"Date,Text,Amount\n11/0{n}/2026,A,1.00\n".encode()) for n in (1, 2))
    other = readers.read_sheet(b"Date,Amount,Text\n11/02/2026,1.00,A\n")
    assert first.signature == again.signature != other.signature
