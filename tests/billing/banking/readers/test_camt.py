"""camt.053: what the message definition allows, what is left out, what is refused and where.

Source: ISO 20022 message definition BankToCustomerStatement (camt.053.001.02 to .12): element names, Sts as a code up to version
07 and as a choice from 08, names of parties below Pty from 08, RvslInd, and the codes of balances (OPBD, CLBD, PRCD).
"""

import datetime
from decimal import Decimal

import pytest

from billing.banking import readers

D = Decimal
SPACE = "urn:iso:std:iso:20022:tech:xsd:camt.053.001.{:02}"


def entry(
    amount="30.00",
    side="CRDT",
    *,
    reference="R1",
    state=None,
    version=8,
    day="<Dt>2026-11-02</Dt>",
    more="",
    ccy="USD",
    details="",
):
    state = state or ("<Cd>BOOK</Cd>" if version >= 8 else "BOOK")
    given = f"<AcctSvcrRef>{reference}</AcctSvcrRef>" if reference else ""
    return (
        f'<Ntry><NtryRef>1</NtryRef><Amt Ccy="{ccy}">{amount}</Amt><CdtDbtInd>{side}</CdtDbtInd>{more}<Sts>{state}</Sts>'
        f"<BookgDt>{day}</BookgDt>{given}{details}</Ntry>\n"
    )


def balance(code, amount, day, side="CRDT"):
    return (
        f'<Bal><Tp><CdOrPrtry><Cd>{code}</Cd></CdOrPrtry></Tp><Amt Ccy="USD">{amount}</Amt><CdtDbtInd>{side}</CdtDbtInd>'
        f"<Dt><Dt>{day}</Dt></Dt></Bal>\n"
    )


def statement(*entries, balances="", account="<Id><Othr><Id>1000000001</Id></Othr></Id><Ccy>USD</Ccy>"):
    return f"<Stmt><Id>S</Id><CreDtTm>2026-11-03T06:00:00Z</CreDtTm><Acct>{account}</Acct>\n{balances}{''.join(entries)}</Stmt>\n"


def document(*statements, version=8, space=None):
    name = space or SPACE.format(version)
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<Document xmlns="{name}"><BkToCstmrStmt>\n'
        f"<GrpHdr><MsgId>M</MsgId></GrpHdr>\n{''.join(statements)}</BkToCstmrStmt></Document>\n"
    ).encode()


def read(content):
    return readers.read(content, currency="USD")


def lines(*entries, **options):
    return read(document(statement(*entries), **options)).accounts[0].lines


class TestVersions:
    @pytest.mark.parametrize("version", range(2, 13))
    def test_each_from_02_to_12(self, version):
        (line,) = lines(entry(version=version), version=version)
        assert (line.reference, line.amount, line.posted_on, line.kind) == (
            "R1",
            D("30.00"),
            datetime.date(2026, 11, 2),
            "credit",
        )

    @pytest.mark.parametrize("version", [1, 13, 20])
    def test_no_other(self, version):
        with pytest.raises(readers.BankFileError, match=f"Version {version:02} of camt.053 is not known here"):
            lines(entry(), version=version)

    def test_prefixed_names_and_an_envelope(self):
        plain = document(statement(entry())).decode()
        body = plain[plain.index("<Document") :].replace(' xmlns="', ' xmlns:n="').replace("</", "</n:")
        body = "".join(
            f"<n:{part}" if part and part[0].isalpha() else f"<{part}" if place else part
            for place, part in enumerate(body.split("<"))
        )
        content = f'<?xml version="1.0"?><Envelope><Header/>{body}</Envelope>'.encode()
        assert read(content).accounts[0].lines[0].amount == D("30.00")

    @pytest.mark.parametrize(
        ("space", "said"),
        [
            (SPACE.format(8).replace("053", "052"), "not final"),
            (SPACE.format(8).replace("053", "054"), "a notice of single bookings"),
            (SPACE.format(8).replace("camt.053", "camt.060"), "another kind"),
            ("urn:iso:20022:else", "does not say by its namespace"),
        ],
    )
    def test_other_messages_are_named(self, space, said):
        with pytest.raises(readers.BankFileError, match=said) as refused:
            read(document(statement(entry()), space=space))
        assert refused.value.line == 2


class TestEntries:
    def test_the_sign_is_of_its_own_indicator_also_when_it_undoes_another(self):
        back = "<RvslInd>true</RvslInd>"
        found = lines(entry("75.00", "DBIT", more=back), entry("20.00", "CRDT", reference="R2", more=back))
        assert [x.amount for x in found] == [D("-75.00"), D("20.00")]

    @pytest.mark.parametrize("state", ["<Cd>PDNG</Cd>", "PDNG", "<Cd>INFO</Cd>", "<Cd>FUTR</Cd>"])
    def test_what_is_not_booked_is_left_out_and_said(self, state):
        found = read(document(statement(entry(), entry(reference="R2", state=state))))
        assert [x.reference for x in found.accounts[0].lines] == ["R1"]
        assert found.notes == ("1 entry is pending or only announced and left out.",)

    @pytest.mark.parametrize("day", ["<Dt>2026-11-02</Dt>", "<DtTm>2026-11-02T23:30:00-05:00</DtTm>", "<Dt>2026-11-02Z</Dt>"])
    def test_the_day_is_the_one_the_bank_wrote(self, day):
        assert lines(entry(day=day))[0].posted_on == datetime.date(2026, 11, 2)

    def test_the_value_date_where_there_is_no_booking_date(self):
        content = document(statement(entry())).replace(b"BookgDt", b"ValDt")
        assert read(content).accounts[0].lines[0].posted_on == datetime.date(2026, 11, 2)

    @pytest.mark.parametrize(("old", "name"), [(True, "<Nm>Maria Rivera</Nm>"), (False, "<Pty><Nm>Maria Rivera</Nm></Pty>")])
    def test_who_paid_and_what_for(self, old, name):
        details = (
            "<NtryDtls><TxDtls><Refs><EndToEndId>E2E-7</EndToEndId></Refs><RltdPties><Dbtr>"
            + name
            + "</Dbtr><Cdtr><Nm>Us</Nm></Cdtr>"
            "</RltdPties><RmtInf><Ustrd>RENT</Ustrd><Ustrd>H-00412</Ustrd></RmtInf></TxDtls></NtryDtls>"
            "<AddtlNtryInf>TRANSFER</AddtlNtryInf>"
        )
        version = 2 if old else 8
        (line,) = lines(entry(details=details, version=version), version=version)
        assert (line.name, line.memo) == ("Maria Rivera", "RENT H-00412 TRANSFER E2E-7")

    def test_why_a_payment_came_back(self):
        details = "<NtryDtls><TxDtls><RtrInf><Rsn><Cd>AC04</Cd></Rsn><AddtlInf>Closed</AddtlInf></RtrInf></TxDtls></NtryDtls>"
        (line,) = lines(entry("75.00", "DBIT", details=details + "<AddtlNtryInf>RETURNED ITEM</AddtlNtryInf>"))
        assert (line.name, line.memo) == ("RETURNED ITEM", "AC04 Closed")

    def test_a_check_by_its_number(self):
        details = "<NtryDtls><TxDtls><Refs><ChqNb>1041</ChqNb></Refs></TxDtls></NtryDtls>"
        (line,) = lines(entry("75.00", "DBIT", details=details))
        assert (line.cheque_number, line.kind) == ("1041", "check")

    def test_a_fee_by_its_code(self):
        code = "<BkTxCd><Domn><Cd>ACMT</Cd><Fmly><Cd>MDOP</Cd><SubFmlyCd>FEES</SubFmlyCd></Fmly></Domn></BkTxCd>"
        assert lines(entry("12.00", "DBIT", details=code))[0].kind == "fee"


def batch(*amounts):
    one = "".join(
        f'<TxDtls><Amt Ccy="USD">{amount}</Amt><CdtDbtInd>CRDT</CdtDbtInd>'
        f"<RltdPties><Dbtr><Pty><Nm>{name}</Nm></Pty></Dbtr></RltdPties></TxDtls>"
        for name, amount in amounts
    )
    return f"<NtryDtls><Btch><NbOfTxs>{len(amounts)}</NbOfTxs></Btch>{one}</NtryDtls>"


class TestBatches:
    def test_are_one_line_that_tells_its_parts(self):
        found = read(document(statement(entry("50.00", details=batch(("Rivera", "30.00"), ("Moss", "20.00"))))))
        (line,) = found.accounts[0].lines
        assert (line.amount, line.name, line.memo) == (D("50.00"), "2 together", "2 transactions; Rivera; Moss")
        assert found.notes == ()

    def test_that_do_not_add_up_are_said(self):
        found = read(document(statement(entry("50.00", details=batch(("Rivera", "30.00"), ("Moss", "19.99"))))))
        assert "do not add up to it" in found.notes[0]


class TestReferences:
    def test_two_true_lines_without_a_reference_are_two(self):
        found = lines(entry(reference=""), entry(reference=""), entry(reference="NOTPROVIDED"))
        assert [x.reference[:1] for x in found] == ["~", "~", "~"]
        assert len({x.reference for x in found}) == 3
        assert [x.reference for x in lines(entry(reference=""))] == [found[0].reference]

    def test_one_reference_of_two_bookings_is_made_two(self):
        found = lines(entry("30.00"), entry("1.00", "DBIT"))
        assert len({x.reference for x in found}) == 2
        assert {x.reference for x in lines(entry("1.00", "DBIT"), entry("30.00"))} == {x.reference for x in found}


class TestBalances:
    def test_days_of_one_account_are_put_together(self):
        first = statement(entry(), balances=balance("OPBD", "100.00", "2026-11-01") + balance("CLBD", "130.00", "2026-11-02"))
        second = statement(
            entry(reference="R2", day="<Dt>2026-11-03</Dt>"),
            balances=balance("PRCD", "130.00", "2026-11-02") + balance("CLBD", "160.00", "2026-11-03"),
        )
        found = read(document(second, first))
        (account,) = found.accounts
        assert (account.opening, account.balance, account.balance_on) == (D("100.00"), D("160.00"), datetime.date(2026, 11, 3))
        assert (account.missing, found.notes, len(account.lines)) == (D("0.00"), (), 2)

    def test_an_overdrawn_account(self):
        (account,) = read(document(statement(entry(), balances=balance("CLBD", "5.00", "2026-11-02", "DBIT")))).accounts
        assert account.balance == D("-5.00")

    def test_a_file_that_does_not_add_up_says_so(self):
        balances = balance("OPBD", "100.00", "2026-11-01") + balance("CLBD", "140.00", "2026-11-02")
        found = read(document(statement(entry(), balances=balances)))
        assert "between its opening and its closing balance $10.00 is on no line" in found.notes[0]


BOMB = '<?xml version="1.0"?>\n<!DOCTYPE d [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]>\n'
BAD = {
    "no side": (document(statement(entry(side=""))), 5, "whether money came in or went out"),
    "other side": (document(statement(entry(side="Credit"))), 5, "whether money came in or went out"),
    "comma": (document(statement(entry("8,85"))), 5, "“8,85” is not an amount"),
    "signed": (document(statement(entry("-8.85"))), 5, "“-8.85” is not an amount"),
    "three decimals": (document(statement(entry("8.855"))), 5, "more than two digits"),
    "other currency": (document(statement(entry(ccy="EUR"))), 5, "in “EUR”"),
    "account in euro": (document(statement(entry(), account="<Id><IBAN>X1</IBAN></Id><Ccy>EUR</Ccy>")), 4, "kept in EUR"),
    "no account": (document(statement(entry(), account="<Ccy>USD</Ccy>")), 4, "of which account"),
    "day": (document(statement(entry(day="<Dt>11/02/2026</Dt>"))), 5, "“11/02/2026” is not a day"),
    "no day": (document(statement(entry(day=""))), 5, "has no day"),
    "state": (document(statement(entry(state="<Cd>DONE</Cd>"))), 5, "“DONE” is no state"),
    "no statement": (document(""), 2, "holds no statement"),
    "cut": (document(statement(entry()))[:-30], 6, "ends before"),
    "bomb": (BOMB.encode() + document(statement(entry())).split(b"\n", 1)[1], 2, "entities or a document type"),
    "outside": (
        BOMB.replace('"ha"', 'SYSTEM "file:///etc/passwd"').encode() + document(statement(entry())).split(b"\n", 1)[1],
        2,
        "entities",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_refuses_with_the_line_and_the_reason(name):
    content, at, reason = BAD[name]
    with pytest.raises(readers.BankFileError) as refused:
        read(content)
    assert reason in refused.value.reason
    assert refused.value.line == at
