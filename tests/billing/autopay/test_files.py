"""Files of debits: written, read back by our own reader and by two others; the bank's files; what is refused, and where."""

import datetime
import json
import re

import achkit
import pytest
from achlens.core.validator import validate
from hypothesis import example, given, settings
from hypothesis import strategies as st

from billing.autopay import answers, layout, reader, words, writer
from billing.autopay.reader import Item, NachaFileError
from tests.billing.autopay.files import FOLDER, ROUTING, batch, debit, table, written

TOTALS = json.loads((FOLDER / "expected_totals.json").read_text())
TABLES = {
    "1 File Header": layout.FILE_HEADER,
    "5 Company/Batch Header": layout.BATCH_HEADER,
    "6 Entry Detail PPD": layout.ENTRY,
    "6 Entry Detail WEB": layout.ENTRY,
    "7 Addenda 05": layout.ADDENDA_05,
    "7 Addenda 99 (return)": layout.ADDENDA_99,
    "7 Addenda 98 (NOC)": layout.ADDENDA_98,
    "8 Company/Batch Control": layout.BATCH_CONTROL,
    "9 File Control": layout.FILE_CONTROL,
}


def referees_agree(text):
    """Both libraries find nothing wrong."""
    report = validate(text)
    assert (report.valid, report.counts_by_rule) == (True, {}), report.findings
    assert achkit.validate(text) == {"ok": True, "errors": []}


class TestLayout:
    @pytest.mark.parametrize("record", TABLES)
    def test_is_the_published_one(self, record):
        published = [(int(row["start"]), int(row["end"])) for row in table("nacha_layout.csv") if row["record"] == record]
        assert list(TABLES[record].values()) == published
        assert sum(last - first + 1 for first, last in published) == layout.RECORD


class TestReader:
    @pytest.mark.parametrize("name", TOTALS)
    def test_finds_the_totals_of_the_samples(self, name):
        found, expected = reader.read_bytes((FOLDER / name).read_bytes()), TOTALS[name]
        assert (found.records, found.blocks, found.entry_addenda, found.batches) == (
            expected["records"],
            expected["blocks"],
            expected["entry_addenda"],
            expected["batches"],
        )
        assert (f"{found.hash:010}", found.debit_cents, found.credit_cents) == (
            expected["hash"],
            expected["debit_cents"],
            expected["credit_cents"],
        )

    @pytest.mark.parametrize("end", ["\r\n", "", "\n\n"])
    def test_takes_the_lines_as_banks_end_them(self, end):
        text = (FOLDER / "ppd_debit.ach").read_text()
        assert reader.read_bytes(text.replace("\n", end).encode()).debit_cents == 7953

    @pytest.mark.parametrize(
        ("line", "first", "last", "instead", "said"),
        [
            (1, 1, 1, "7", "no entry announced|no Nacha file|addenda"),
            (1, 2, 3, "02", "priority"),
            (1, 34, 34, "a", "modifier"),
            (1, 24, 29, "261324", "creation date"),
            (1, 35, 37, "096", "record size"),
            (2, 2, 4, "999", "service class"),
            (2, 51, 53, "XXX", "class"),
            (2, 70, 75, "20NOV6", "effective entry date"),
            (2, 54, 63, " " * 10, "entry description is empty"),
            (3, 2, 3, "99", "transaction code"),
            (3, 12, 12, "0", "check digit"),
            (3, 13, 29, " " * 17, "account number is empty"),
            (3, 30, 39, "00000270X6", "amount"),
            (3, 30, 39, "0000000000", "amount is zero"),
            (3, 79, 79, "1", "addenda record follows"),
            (4, 80, 94, "056005070000001", "does not follow"),
            (6, 2, 4, "200", "service class"),
            (6, 5, 10, "000004", "entry and addenda count"),
            (6, 11, 20, "0021680516", "entry hash"),
            (6, 21, 32, "000000007954", "total debit"),
            (6, 45, 54, "1990000002", "company identification"),
            (6, 88, 94, "0000002", "batch number"),
            (7, 2, 7, "000002", "batches"),
            (7, 8, 13, "000002", "blocks"),
            (7, 22, 31, "0021680516", "entry hash"),
            (8, 1, 1, "8", "only lines of nines"),
        ],
    )
    def test_names_the_line_of_each_fault(self, line, first, last, instead, said):
        lines = (FOLDER / "ppd_debit.ach").read_text().splitlines()
        lines[line - 1] = lines[line - 1][: first - 1] + instead + lines[line - 1][last:]
        with pytest.raises(NachaFileError, match=said) as refused:
            reader.read_bytes("\n".join(lines).encode())
        if "blocks" not in said and "follows" not in said:
            assert refused.value.line == line
        assert "1000000001" not in str(refused.value)
        assert "RECEIVER" not in str(refused.value)

    @pytest.mark.parametrize("cut_at", [0, 94, 95 * 3, 95 * 6 + 20, 95 * 9])
    def test_refuses_a_file_that_was_cut_off(self, cut_at):
        with pytest.raises(NachaFileError):
            reader.read_bytes((FOLDER / "ppd_debit.ach").read_bytes()[:cut_at])

    @pytest.mark.parametrize("content", [b"", b"\n", b"%PDF-1.7", b"\xff\xfe1\x000", "101 ñ".encode(), b"5" * 94])
    def test_refuses_what_is_no_such_file(self, content):
        with pytest.raises(NachaFileError):
            reader.read_bytes(content)

    @given(st.binary(max_size=400))
    def test_any_bytes_get_a_sentence(self, content):
        with pytest.raises(NachaFileError, match=r"^Line \d+: "):
            reader.read_bytes(content)

    @settings(max_examples=200)
    @given(st.sampled_from(sorted(TOTALS)), st.integers(0, 10_000), st.sampled_from("0123456789 AZ~"))
    @example("retry.ach", 387, "A")  # the block count
    def test_one_changed_character_breaks_nothing_but_is_read_or_refused(self, name, place, instead):
        text = (FOLDER / name).read_text()
        place %= len(text)
        try:
            reader.read_bytes((text[:place] + instead + text[place + 1 :]).encode())
        except NachaFileError as refused:
            assert refused.line >= 1

    def test_an_item_does_not_show_its_account_number(self):
        items: list[Item] = []
        reader.read_bytes((FOLDER / "ppd_debit.ach").read_bytes(), keep=items)
        assert "1000000001" in items[0].record
        assert "1000000001" not in repr(items)


class TestWriter:
    def test_writes_the_samples_again(self):
        """The sample of three debits, byte for byte, but for the reserved date."""
        sample = (FOLDER / "ppd_debit.ach").read_text()
        rows = [line for line in sample.splitlines() if line.startswith("6")]
        debits = [
            writer.Debit(r[1:3], r[3:12], r[12:29].strip(), int(r[29:39]), r[39:54].strip(), r[54:76].strip(), "", int(r[87:94]))
            for r in rows
        ]
        origin = writer.Origin(
            "056005075", "EXAMPLE BANK ONE", "056005075", "EXAMPLE RENTAL OFFICE", "EXAMPLE RENTAL", "1990000001"
        )
        head = writer.Batch("PPD", "RENTAL", datetime.date(2026, 11, 24))
        made = writer.compose(
            origin=origin, made_at=datetime.datetime(2026, 11, 23, 9, 15), modifier="A", batches=[(head, debits)]
        )
        assert "".join(made) == sample

    @pytest.mark.parametrize(("count", "lines"), [(1, 10), (6, 10), (7, 20), (16, 20), (17, 30)])
    def test_fills_to_whole_blocks(self, count, lines):
        text = written((batch(), [debit(n) for n in range(1, count + 1)]))
        assert len(text.splitlines()) == lines
        referees_agree(text)

    def test_writes_two_classes_and_those_presented_again(self):
        text = written(
            (batch(), [debit(1), debit(2, code="37", cents=999)]),
            (batch("WEB"), [debit(3, payment_type="R"), debit(4, payment_type="S")]),
            (batch("PPD", writer.RETRY), [debit(5)]),
        )
        referees_agree(text)
        heads = [line for line in text.splitlines() if line.startswith("5")]
        assert [(head[50:53], head[53:63]) for head in heads] == [
            ("PPD", "RENTAL    "),
            ("WEB", "RENTAL    "),
            ("PPD", "RETRY PYMT"),
        ]
        assert [line[76:78] for line in text.splitlines() if line.startswith("6")] == ["  ", "  ", "R ", "S ", "  "]

    def test_counts_the_hash_over(self):
        """320 times 32000000 is 10240000000: the ten digits on the right stay (Nacha 2013, appendix 3, Entry Hash)."""
        debits = [debit(n)._replace(routing="320000007", cents=1) for n in range(1, 321)]
        text = written((batch(), debits))
        assert next(line for line in text.splitlines() if line.startswith("8"))[10:20] == "0240000000"
        assert f"{reader.read([text]).hash:010}" == "0240000000"
        referees_agree(text)

    def test_refuses_what_does_not_fit_by_trace_number_only(self):
        wide = debit(7)._replace(account="9" * 18)
        with pytest.raises(writer.DebitDoesNotFitError, match="056005070000007") as refused:
            written((batch(), [debit(1), wide]))
        assert "999999" not in str(refused.value)

    @settings(max_examples=60, deadline=None)
    @given(
        st.lists(
            st.tuples(
                st.sampled_from(["27", "37"]),
                st.sampled_from(ROUTING),
                st.text("0123456789-ABC", min_size=1, max_size=17).filter(lambda t: t.strip("-")),
                st.integers(1, 99_999_999),
                st.text(min_size=1, max_size=40),
            ),
            min_size=1,
            max_size=40,
        )
    )
    def test_what_is_written_is_read_back_by_all(self, rows):
        debits = [
            writer.Debit(code, routing, account, cents, f"H-{n:05}", words.plain(name, 22), "", n)
            for n, (code, routing, account, cents, name) in enumerate(rows, start=1)
        ]
        text = written((batch(), debits))
        items: list[Item] = []
        totals = reader.read([text], keep=items)
        assert totals.debit_cents == sum(row[3] for row in rows)
        read = [layout.cut(layout.ENTRY, item.record, "account number").rstrip() for item in items]
        assert read == [row[2] for row in rows]
        referees_agree(text)


class TestNames:
    @pytest.mark.parametrize(
        ("name", "said"),
        [
            ("Zoë Núñez", "ZOE NUNEZ"),
            ("Øyvind Łuczak", "OYVIND LUCZAK"),
            ("O’Neil & Sons, Ltd.", "O'NEIL & SONS LTD."),
            ("Ψυχή", "ACCOUNT HOLDER"),
            ("A" * 40, "A" * 22),
            ("Tab\there\nand there", "TAB HERE AND THERE"),
        ],
    )
    def test_become_plain_capitals(self, name, said):
        assert words.plain(name, 22) == said

    @given(st.text(max_size=60))
    def test_any_name_fits(self, name):
        assert re.fullmatch(r"[A-Z0-9 .&'/-]{1,22}", words.plain(name, 22))


class TestAnswers:
    def test_reads_the_returns_of_the_sample(self):
        returned, corrected = answers.read_answers((FOLDER / "return_r01_r02_r10.ach").read_bytes())
        assert [(each.trace, each.reason, each.cents) for each in returned] == [
            ("056005070000002", "R01", 3248),
            ("056005070000003", "R02", 1999),
            ("056005070000001", "R10", 2706),
        ]
        assert corrected == []

    def test_reads_the_corrections_of_the_sample(self):
        """Layouts of corrected data: Nacha 2013, appendix 5, part 5.3."""
        _, corrected = answers.read_answers((FOLDER / "noc_c01_c02_c03_c05.ach").read_bytes())
        assert [(each.change, each.routing, each.account, each.is_savings) for each in corrected] == [
            ("C01", None, "1000000011", None),
            ("C02", "114000653", None, None),
            ("C03", "114000653", "1000000033", None),
            ("C05", None, None, True),
        ]
        assert "1000000011" not in repr(corrected)

    @pytest.mark.parametrize(
        ("change", "data", "found"),
        [
            ("C06", f"{'2000000099':<17}   37", (None, "2000000099", True)),
            ("C07", f"114000653{'2000000099':<17}27", ("114000653", "2000000099", False)),
        ],
    )
    def test_reads_corrections_of_two_and_three_things(self, change, data, found):
        text = (FOLDER / "noc_c01_c02_c03_c05.ach").read_text()
        lines = text.splitlines()
        lines[3] = f"798{change}{lines[3][6:35]}{data:<29}{lines[3][64:]}"
        first = answers.read_answers("\n".join(lines).encode())[1][0]
        assert (first.routing, first.account, first.is_savings) == found

    def test_refuses_a_file_of_debits(self):
        with pytest.raises(NachaFileError, match=r"Line 3: .*neither a return nor a correction"):
            answers.read_answers((FOLDER / "ppd_debit.ach").read_bytes())

    def test_refuses_a_correction_that_cannot_be(self):
        text = (FOLDER / "noc_c01_c02_c03_c05.ach").read_text().replace("114000653   1000000033", "114000654   1000000033")
        with pytest.raises(NachaFileError, match=r"Line 8: .*routing number") as refused:
            answers.read_answers(text.encode())
        assert "1000000033" not in str(refused.value)
