"""BAI2: every control total and count is checked, continuations and funds types are read, what is cut short is refused at once.

Source: Cash Management Balance Reporting Specifications version 2 (Bank Administration Institute): records 01 to 99, funds types,
group status, as-of-date modifiers, ranges of type codes. Read a second time by `bai2`, in a process with a time limit.
"""

import datetime
import re
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing.banking import readers
from billing.banking.readers import BankFileError
from tests.billing.banking.readers.test_same_day import by_bai2

D = Decimal
DAY = datetime.date(2026, 11, 1)


def account(*details, header="03,1000000001,USD,010,10000,,,015,{closing},,/", closing=None, opening=10000, number=None):
    """One account's records: its header, transactions as they are given, a trailer that fits."""
    amounts = [int(x.split(",")[2] or 0) for x in details if x.startswith("16,")]
    signs = [1 if int(x.split(",")[1]) < 400 else -1 for x in details if x.startswith("16,")]
    closing = opening + sum(a * s for a, s in zip(amounts, signs, strict=True)) if closing is None else closing
    records = [header.format(closing=closing), *details]
    if number:
        records[0] = records[0].replace("1000000001", number)
    total = sum(amounts) + (opening + closing if "010" in header else 0)
    return [*records, f"49,{total},{len(records) + 1}/"], total


def group(*accounts, day="261101", status="1", modifier="2", currency="USD"):
    records = [record for each, _total in accounts for record in each]
    total = sum(total for _records, total in accounts)
    head = f"02,SHOP01,000000000,{status},{day},2359,{currency},{modifier}/"
    return [head, *records, f"98,{total},{len(accounts)},{len(records) + 2}/"], total


def document(*groups, version="2", line_end="\n"):
    records = [record for each, _total in groups for record in each]
    total = sum(total for _records, total in groups)
    head = f"01,000000000,SHOP01,261102,0600,1,,,{version}/"
    return (line_end.join([head, *records, f"99,{total},{len(groups)},{len(records) + 2}/"]) + line_end).encode()


def one(*details, **options):
    return document(group(account(*details, **options)))


def read(content):
    return readers.read(content, currency="USD")


def lines(*details, **options):
    return read(one(*details, **options)).accounts[0].lines


class TestDetails:
    @pytest.mark.parametrize(("code", "amount"), [("142", "30.00"), ("399", "30.00"), ("400", "-30.00"), ("699", "-30.00")])
    def test_the_side_is_of_the_type_code(self, code, amount):
        (line,) = lines(f"16,{code},3000,0,B1,C1,TEXT")
        assert (line.amount, line.posted_on, line.reference, line.name, line.memo) == (D(amount), DAY, "B1", "TEXT", "C1")

    @pytest.mark.parametrize(
        "funds", ["", "0", "1", "2", "Z", "S,1000,1000,1000", "V,261103,1200", "V,261103,", "D,2,0,1000,1,2000"]
    )
    def test_every_funds_type(self, funds):
        (line,) = lines(f"16,142,3000,{funds},B1,C1,THE TEXT, WITH COMMAS")
        assert (line.reference, line.name, line.memo) == ("B1", "THE TEXT, WITH COMMAS", "C1")

    def test_a_text_that_goes_on(self):
        (line,) = lines("16,142,3000,0,B1,C1,TRANSFER FROM", "88,MARIA RIVERA 1/2", "88,RENT/")
        assert line.name == "TRANSFER FROM MARIA RIVERA 1/2 RENT"

    def test_fields_that_go_on(self):
        (line,) = lines("16,142,3000,S,1000/", "88,1000,1000,B1/", "88,C1,TEXT")
        assert (line.reference, line.name) == ("B1", "TEXT")

    def test_no_text(self):
        (line,) = lines("16,142,3000,0,B1,,/")
        assert (line.name, line.memo) == ("Type 142", "")

    def test_a_check_paid_and_a_fee(self):
        found = lines("16,475,3000,0,B1,0000001041,/", "16,698,100,0,B2,,FEES")
        assert [(x.kind, x.cheque_number) for x in found] == [("check", "1041"), ("fee", "")]

    def test_references_that_are_none_or_come_again(self):
        found = lines("16,142,3000,0,0000,,A", "16,142,3000,0,0000,,A", "16,142,100,0,B1,,A", "16,142,200,0,B1,,A")
        assert len({x.reference for x in found}) == 4
        assert all(x.reference.startswith("~") for x in found)

    def test_a_remark_without_money_is_no_line(self):
        assert [x.reference for x in lines("16,890,,0,,,MESSAGE", "16,142,3000,0,B1,,A")] == ["B1"]


class TestFiles:
    def test_days_of_one_account_are_put_together(self):
        second = group(account("16,142,500,0,B2,,X", opening=13000), day="261102")
        second[0][1] = second[0][1].replace("010,10000", "010,13000")
        found = read(document(group(account("16,142,3000,0,B1,,X")), second))
        (both,) = found.accounts
        assert [x.posted_on.day for x in both.lines] == [1, 2]
        assert (both.opening, both.balance, both.balance_on, found.notes) == (D("100.00"), D("135.00"), DAY.replace(day=2), ())

    def test_several_accounts(self):
        found = read(document(group(account("16,142,3000,0,B1,,X"), account("16,142,100,0,B1,,Y", number="2"))))
        assert [(x.account_id, x.lines[0].amount) for x in found.accounts] == [("1000000001", D("30.00")), ("2", D("1.00"))]

    def test_an_overdrawn_account(self):
        assert read(one("16,475,20000,0,B1,,X")).accounts[0].balance == D("-100.00")

    def test_reports_of_the_running_day_are_left_out(self):
        day, running = group(account("16,142,3000,0,B1,,X")), group(account("16,142,100,0,B2,,X"), modifier="3", day="261102")
        found = read(document(day, running))
        assert [x.reference for x in found.accounts[0].lines] == ["B1"]
        assert found.notes == ("Reports of the running day are not final and are left out.",)

    def test_padded_and_windows_lines(self):
        content = b"\r\n".join(line.ljust(80) for line in one("16,142,3000,0,B1,,X/").split(b"\n"))
        assert read(content).accounts[0].lines[0].name == "X"

    def test_no_currency_given_is_that_of_the_books(self):
        content = one("16,142,3000,0,B1,,X").replace(b",USD,", b",,")
        assert read(content).accounts[0].balance == D("130.00")


GOOD = one("16,142,3000,0,B1,C1,TEXT", "16,698,100,0,B2,C2,FEE")
BAD = {
    "account total": (GOOD.replace(b"49,26", b"49,27"), 6, "The control total is 27"),
    "account records": (GOOD.replace(b",4/\n98", b",5/\n98"), 6, "counts 5 records of the account, 4 were read"),
    "group total": (GOOD.replace(b"98,26", b"98,-26"), 7, "The control total is -26"),
    "group accounts": (GOOD.replace(b",1,6/", b",2,6/"), 7, "counts 2 accounts, 1 were read"),
    "group records": (GOOD.replace(b",1,6/", b",1,7/"), 7, "counts 7 records of the group, 6 were read"),
    "file total": (GOOD.replace(b"99,26", b"99,36"), 8, "The control total is 36"),
    "file groups": (GOOD.replace(b",1,8/", b",,8/"), 8, "counts no groups"),
    "file records": (GOOD.replace(b",1,8/", b",1,9/"), 8, "counts 9 records of the file, 8 were read"),
    "changed amount": (GOOD.replace(b"16,142,3000", b"16,142,3001"), 6, "add up to 26001"),
    "lost line": (GOOD.replace(b"16,698,100,0,B2,C2,FEE\n", b""), 5, "The control total is"),
    "no end": (GOOD[: GOOD.index(b"99,")], 7, "ends before its last record (99)"),
    "open account": (re.sub(rb"\n49,[^\n]*", b"", GOOD), 6, "before its account is closed"),
    "open group": (re.sub(rb"\n98,[^\n]*", b"", GOOD), 7, "before its group is"),
    "after the end": (GOOD + b"16,142,5,0,,,X\n", 9, "after the end of the file"),
    "two files": (GOOD + GOOD, 9, "after the end of the file"),
    "point": (GOOD.replace(b"16,142,3000", b"16,142,30.00"), 4, "“30.00” is not an amount"),
    "no amount": (GOOD.replace(b"16,142,3000", b"16,142,"), 4, "has no amount"),
    "type": (GOOD.replace(b"16,142", b"16,14A"), 4, "no type code"),
    "loan": (GOOD.replace(b"16,142", b"16,721"), 4, "does not say whether money came in"),
    "funds": (GOOD.replace(b"3000,0,", b"3000,Q,"), 4, "“Q” is no funds type"),
    "day": (GOOD.replace(b"261101", b"261301"), 2, "“261301” is not a day"),
    "test": (GOOD.replace(b"000000000,1,", b"000000000,4,"), 2, "as a test"),
    "taken back": (GOOD.replace(b"000000000,1,", b"000000000,2,"), 2, "takes back"),
    "version": (GOOD.replace(b",,,2/", b",,,3/"), 1, "version 3"),
    "currency": (GOOD.replace(b"1000000001,USD", b"1000000001,CAD"), 3, "kept in CAD"),
    "no account": (GOOD.replace(b"03,1000000001", b"03,"), 3, "of which account"),
    "unknown record": (GOOD.replace(b"16,698", b"17,698"), 5, "“17” is no record"),
    "no record": (GOOD.replace(b"16,698,100", b"FEE"), 5, "does not begin with the number of a record"),
    "outside": (GOOD.replace(b"\n03,", b"\n16,142,3000,0,,,X\n03,"), 3, "outside an account"),
    "running day alone": (GOOD.replace(b",USD,2/", b",USD,3/"), None, "no statement of a day that is over"),
}


class TestRefuses:
    @pytest.mark.parametrize("name", BAD)
    def test_with_the_line_and_the_reason(self, name):
        content, at, reason = BAD[name]
        assert content != GOOD
        with pytest.raises(readers.BankFileError) as refused:
            read(content)
        assert reason in refused.value.reason
        assert refused.value.line == at

    @given(st.integers(30, len(GOOD) - 3))
    @settings(max_examples=60, deadline=None)
    def test_every_file_cut_short(self, place):
        with pytest.raises(readers.BankFileError):
            read(GOOD[:place])


def test_agrees_with_another_reader_on_many_kinds():
    content = one(
        "16,142,3000,0,B1,C1,ONE",
        "16,165,250000,S,100000,100000,50000,B2,C2,TWO",
        "16,455,700,V,261103,1200,B3,C3,THREE",
        "16,557,7500,D,2,0,5000,1,2500,B4,C4,FOUR",
        "16,698,8000,Z,B5,C5,FIVE",
    )
    theirs, closing = by_bai2(content)
    (account,) = read(content).accounts
    assert [(x.reference, x.posted_on, x.amount) for x in account.lines] == theirs
    assert account.balance == closing


class TestOddFields:
    @pytest.mark.parametrize("funds", ["D,50", "D,3,1,100", "D,9,,", "D," + "9" * 5000, "D,-1", "D,٣", "D,"])
    def test_an_amount_spread_over_days_that_are_not_told_is_refused(self, funds):
        with pytest.raises(BankFileError, match=r"Line 4: .*(something is missing|how many days)"):
            read(one(f"16,195,1000,{funds}/"))

    @pytest.mark.parametrize("count", ["9" * 5000, "٣", "-3", "", "x"])
    def test_a_count_that_is_none_is_refused(self, count):
        with pytest.raises(BankFileError, match=r"Line 5: The trailer counts"):
            read(one("16,195,1000,Z,1,2,text").replace(b"49,", b"49,").replace(b",3/\n98", f",{count}/\n98".encode()))
