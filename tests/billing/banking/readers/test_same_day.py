"""One day of one account in five formats says the same, to us and to independent readers.

The files stand in tests/data/bank with their source. Referees: `ofxtools` for OFX, `bai2` for BAI2; the camt.053 and CSV files
are read a second time here by the standard library alone.
"""

import csv
import datetime
import io
import multiprocessing
import xml.etree.ElementTree as ET
from decimal import Decimal
from pathlib import Path

import pytest
from bai2 import bai2
from ofxtools.Parser import OFXTree

from billing.banking import readers

DATA = Path(__file__).parents[3] / "data" / "bank"
FILES = ["same_day_v1.ofx", "same_day_v2.ofx", "same_day.camt053.xml", "same_day.bai2", "same_day.csv"]
D = Decimal
DAY = datetime.date(2026, 11, 1)
LINES = [
    ("BREF1", DAY, D("2500.00"), "ACH SETTLEMENT RENTALS"),
    ("BREF2", DAY, D("-75.00"), "RETURNED ITEM R01"),
    ("BREF3", DAY, D("-80.00"), "MISC FEES"),
]


def read(content):
    try:
        return readers.read(content, currency="USD")
    except readers.MappingNeededError as needed:
        return readers.read(content, currency="USD", mapping=readers.Mapping(**readers.guess(needed.sheet)))


@pytest.mark.parametrize("name", FILES)
def test_says_the_same(name):
    (account,) = read((DATA / name).read_bytes()).accounts
    assert [(x.reference, x.posted_on, x.amount, x.name) for x in account.lines] == LINES
    assert (account.balance, account.balance_on) == (D("12345.00"), DAY)
    assert account.opening in {None, D("10000.00")}
    assert not account.missing
    assert account.account_id in {"", "1000000001"}


@pytest.mark.parametrize("name", FILES)
def test_is_known_by_its_contents_alone(name):
    content = (DATA / name).read_bytes()
    for spelled in (content, b"\xef\xbb\xbf" + content, content.replace(b"\n", b"\r\n"), b"\n" + content):
        assert [x.amount for x in read(spelled).accounts[0].lines] == [amount for _r, _d, amount, _n in LINES]


def by_ofxtools(content):
    tree = OFXTree()
    tree.parse(io.BytesIO(content))
    (statement,) = tree.convert().statements
    return [(x.fitid, x.dtposted.date(), x.trnamt) for x in statement.transactions], statement.ledgerbal.balamt


def _bai2(content, answers):
    (group,) = bai2.parse_from_string(content.decode(), check_integrity=True).children
    (account,) = group.children
    signs = {"credit": 1, "debit": -1}
    rows = [
        (x.bank_reference, group.header.as_of_date, signs[x.type_code.transaction.value] * D(x.amount) / 100)
        for x in account.children
    ]
    closing = next(x.amount for x in account.header.summary_items if x.type_code.code == "015")
    answers.put((rows, D(closing) / 100))


def by_bai2(content):
    """The referee may read for ever what is cut short, so it reads in a process of its own with a time limit."""
    answers = multiprocessing.get_context("spawn").Queue()
    process = multiprocessing.get_context("spawn").Process(target=_bai2, args=(content, answers))
    process.start()
    try:
        return answers.get(timeout=60)
    finally:
        process.kill()
        process.join()


def by_elements(content):
    space = {"c": "urn:iso:std:iso:20022:tech:xsd:camt.053.001.08"}
    rows = []
    root = ET.fromstring(content)
    for entry in root.iterfind(".//c:Ntry", space):
        sign = {"CRDT": 1, "DBIT": -1}[entry.findtext("c:CdtDbtInd", namespaces=space)]
        day = datetime.date.fromisoformat(entry.findtext("c:BookgDt/c:Dt", namespaces=space))
        rows.append((entry.findtext("c:AcctSvcrRef", namespaces=space), day, sign * D(entry.findtext("c:Amt", namespaces=space))))
    (closing,) = [x for x in root.iterfind(".//c:Bal", space) if x.findtext(".//c:Cd", namespaces=space) == "CLBD"]
    return rows, D(closing.findtext("c:Amt", namespaces=space))


def by_rows(content):
    rows = list(csv.DictReader(io.StringIO(content.decode())))
    plain = [(x["Reference"], datetime.datetime.strptime(x["Date"], "%m/%d/%Y").date(), x["Amount"]) for x in rows]
    amounts = [D(x.replace(",", "").replace("(", "-").replace(")", "")) for *_key, x in plain]
    read_rows = [(reference, day, amount) for (reference, day, _x), amount in zip(plain, amounts, strict=True)]
    return read_rows, D(rows[-1]["Balance"].replace(",", ""))


REFEREES = dict(zip(FILES, [by_ofxtools, by_ofxtools, by_elements, by_bai2, by_rows], strict=True))


@pytest.mark.parametrize("name", FILES)
def test_agrees_with_another_reader(name):
    content = (DATA / name).read_bytes()
    theirs, closing = REFEREES[name](content)
    (account,) = read(content).accounts
    assert [(x.reference, x.posted_on, x.amount) for x in account.lines] == theirs
    assert account.balance == closing


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("part", [0.35, 0.6, 0.9])
def test_half_of_it_is_refused_or_is_no_line_less_than_it_seems(name, part):
    """A CSV file that ends at the end of a line looks whole: there its running balance, held against the books, tells."""
    content = (DATA / name).read_bytes()
    cut = content[: int(len(content) * part)]
    with pytest.raises(readers.BankFileError) as refused:
        read(cut)
    assert refused.value.reason
