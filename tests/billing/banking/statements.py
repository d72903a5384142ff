"""Bank files for tests, written by plain joining so that the reader is not tested with its own ideas."""

import datetime

DAY = datetime.date(2026, 3, 11)

HEADER = """OFXHEADER:100
DATA:OFXSGML
VERSION:102
SECURITY:NONE
ENCODING:USASCII
CHARSET:1252
COMPRESSION:NONE
OLDFILEUID:NONE
NEWFILEUID:NONE

"""


def line(reference, amount, on=DAY, *, name="DEPOSIT", memo="", kind="CREDIT", cheque=""):
    """One transaction in OFX 1.x."""
    written = on if isinstance(on, str) else f"{on:%Y%m%d}120000"
    more = (f"<CHECKNUM>{cheque}\n" if cheque else "") + (f"<NAME>{name}\n" if name else "") + (f"<MEMO>{memo}\n" if memo else "")
    return f"<STMTTRN>\n<TRNTYPE>{kind}\n<DTPOSTED>{written}\n<TRNAMT>{amount}\n<FITID>{reference}\n{more}</STMTTRN>\n"


def statement(*lines, account="1000000001", balance=None, balance_on=DAY, currency="USD", bank="056005075"):
    """One account's statement."""
    closing = f"<LEDGERBAL><BALAMT>{balance}<DTASOF>{balance_on:%Y%m%d}</LEDGERBAL>\n" if balance is not None else ""
    listed = "".join(lines)
    return (
        f"<STMTTRNRS><TRNUID>1<STATUS><CODE>0<SEVERITY>INFO</STATUS>\n<STMTRS><CURDEF>{currency}\n"
        f"<BANKACCTFROM><BANKID>{bank}<ACCTID>{account}<ACCTTYPE>CHECKING</BANKACCTFROM>\n"
        f"<BANKTRANLIST><DTSTART>20260301<DTEND>20260331\n{listed}</BANKTRANLIST>\n{closing}</STMTRS></STMTTRNRS>\n"
    )


def document(*statements, header=HEADER):
    """A whole file in OFX 1.x."""
    signed_on = (
        "<SIGNONMSGSRSV1><SONRS><STATUS><CODE>0<SEVERITY>INFO</STATUS><DTSERVER>20260331060000"
        "<LANGUAGE>ENG</SONRS></SIGNONMSGSRSV1>"
    )
    return f"{header}<OFX>\n{signed_on}\n<BANKMSGSRSV1>\n{''.join(statements)}</BANKMSGSRSV1>\n</OFX>\n"


def ofx1(*lines, codec="cp1252", **options):
    """A file with one account, as bytes."""
    return document(statement(*lines, **options)).encode(codec)


def ofx2(rows, *, account="1000000001"):
    """A file with one account in OFX 2.x: rows of (reference, amount, written day, name, memo), already escaped."""
    listed = "".join(
        f"<STMTTRN><TRNTYPE>CREDIT</TRNTYPE><DTPOSTED>{day}</DTPOSTED><TRNAMT>{amount}</TRNAMT><FITID>{reference}</FITID>"
        f"<NAME>{name}</NAME>{f'<MEMO>{memo}</MEMO>' if memo else ''}</STMTTRN>\n"
        for reference, amount, day, name, memo in rows
    )
    return (
        '<?xml version="1.0" encoding="UTF-8" standalone="no"?>\n'
        '<?OFX OFXHEADER="200" VERSION="202" SECURITY="NONE" OLDFILEUID="NONE" NEWFILEUID="NONE"?>\n'
        "<OFX><SIGNONMSGSRSV1><SONRS><STATUS><CODE>0</CODE><SEVERITY>INFO</SEVERITY></STATUS><DTSERVER>20260331060000</DTSERVER>"
        "<LANGUAGE>ENG</LANGUAGE></SONRS></SIGNONMSGSRSV1>\n<BANKMSGSRSV1><STMTTRNRS><TRNUID>1</TRNUID><STATUS><CODE>0</CODE>"
        "<SEVERITY>INFO</SEVERITY></STATUS><STMTRS><CURDEF>USD</CURDEF><BANKACCTFROM><BANKID>056005075</BANKID>"
        f"<ACCTID>{account}</ACCTID><ACCTTYPE>CHECKING</ACCTTYPE></BANKACCTFROM>\n<BANKTRANLIST><DTSTART>20260301</DTSTART>"
        f"<DTEND>20260331</DTEND>\n{listed}</BANKTRANLIST><LEDGERBAL><BALAMT>5.00</BALAMT><DTASOF>20260331</DTASOF></LEDGERBAL></STMTRS></STMTTRNRS></BANKMSGSRSV1></OFX>\n"
    ).encode()
