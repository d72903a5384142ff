"""Where each field of a Nacha record stands. Places count from 1 and include both ends; a record has 94 characters.

Nacha 2013 Operating Rules, appendix 3 (parts 3.1.1, 3.1.2, 3.1.17, 3.1.23), appendix 4 part 4.3.5, appendix 5 part 5.4.5.
"""

RECORD, BLOCKING = 94, 10
FILLER = "9" * RECORD

Fields = dict[str, tuple[int, int]]

FILE_HEADER: Fields = {
    "record type": (1, 1),
    "priority": (2, 3),
    "immediate destination": (4, 13),
    "immediate origin": (14, 23),
    "creation date": (24, 29),
    "creation time": (30, 33),
    "file ID modifier": (34, 34),
    "record size": (35, 37),
    "blocking factor": (38, 39),
    "format": (40, 40),
    "destination name": (41, 63),
    "origin name": (64, 86),
    "reference": (87, 94),
}
BATCH_HEADER: Fields = {
    "record type": (1, 1),
    "service class": (2, 4),
    "company name": (5, 20),
    "discretionary data": (21, 40),
    "company identification": (41, 50),
    "standard entry class": (51, 53),
    "entry description": (54, 63),
    "descriptive date": (64, 69),
    "effective entry date": (70, 75),
    "settlement date": (76, 78),
    "originator status": (79, 79),
    "originating bank": (80, 87),
    "batch number": (88, 94),
}
ENTRY: Fields = {
    "record type": (1, 1),
    "transaction code": (2, 3),
    "receiving bank": (4, 11),
    "check digit": (12, 12),
    "account number": (13, 29),
    "amount": (30, 39),
    "identification number": (40, 54),
    "name": (55, 76),
    "payment type": (77, 78),
    "addenda indicator": (79, 79),
    "trace number": (80, 94),
}
ADDENDA_05: Fields = {
    "record type": (1, 1),
    "addenda type": (2, 3),
    "information": (4, 83),
    "sequence": (84, 87),
    "entry sequence": (88, 94),
}
ADDENDA_99: Fields = {
    "record type": (1, 1),
    "addenda type": (2, 3),
    "reason": (4, 6),
    "original trace number": (7, 21),
    "date of death": (22, 27),
    "original receiving bank": (28, 35),
    "information": (36, 79),
    "trace number": (80, 94),
}
ADDENDA_98: Fields = {
    "record type": (1, 1),
    "addenda type": (2, 3),
    "change": (4, 6),
    "original trace number": (7, 21),
    "reserved": (22, 27),
    "original receiving bank": (28, 35),
    "corrected data": (36, 64),
    "reserved after": (65, 79),
    "trace number": (80, 94),
}
BATCH_CONTROL: Fields = {
    "record type": (1, 1),
    "service class": (2, 4),
    "entry and addenda count": (5, 10),
    "entry hash": (11, 20),
    "total debit": (21, 32),
    "total credit": (33, 44),
    "company identification": (45, 54),
    "authentication code": (55, 73),
    "reserved": (74, 79),
    "originating bank": (80, 87),
    "batch number": (88, 94),
}
FILE_CONTROL: Fields = {
    "record type": (1, 1),
    "batch count": (2, 7),
    "block count": (8, 13),
    "entry and addenda count": (14, 21),
    "entry hash": (22, 31),
    "total debit": (32, 43),
    "total credit": (44, 55),
    "reserved": (56, 94),
}


def cut(fields: Fields, record: str, name: str) -> str:
    """Return one field of a record as it stands.

    >>> cut(ADDENDA_99, "799R01056005070000002", "reason")
    'R01'
    """
    first, last = fields[name]
    return record[first - 1 : last]
