"""The bench's own words on printed cards: scanned instead of a button, so that hands with gloves on touch nothing.

Each begins with a full stop, which no asset tag can, and has at least six characters, so that a scanner's burst is known from
typing. Letters and digits only behind the stop: those lie on the same keys on most keyboards, and a scanner types as a keyboard.
"""

from dataclasses import dataclass

SIGN = "."


@dataclass(frozen=True)
class Command:
    """A card: its code, what it says in big letters, one line of what it does, and how many minutes it adds, if any."""

    code: str
    label: str
    note: str
    minutes: int = 0
    group: str = "work"


TAKE_IN = Command(".TAKEIN", "Take in", "In to the shop, with a work order")
ON_BENCH = Command(".ONBENCH", "On the bench", "Work begins, or goes on")
PARTS = Command(".PARTS", "Waiting for parts", "Laid aside until they come")
QUALITY = Command(".QUALITY", "To the quality check", "Done; somebody tests it")
PASSED = Command(".PASSED", "Passed", "Tested and right: ready to go out")
READY = Command(".READY", "Ready", "Done and waiting to go out")
SHELF = Command(".TOSHELF", "Out to the shelf", "Work done; it may be rented", group="out")
FAMILY = Command(".TOFAMILY", "Back to the family", "Work done; its renter has it", group="out")
CLEANED = Command(".CLEANED", "Cleaned", "The annual cleaning is done", group="out")
FIVE = Command(".MIN05", "+ 5 minutes", "Onto the order in hand", minutes=5, group="minutes")
FIFTEEN = Command(".MIN15", "+ 15 minutes", "Onto the order in hand", minutes=15, group="minutes")
THIRTY = Command(".MIN30", "+ 30 minutes", "Onto the order in hand", minutes=30, group="minutes")
UNDO = Command(".UNDOLAST", "Undo the last", "Where it can be undone", group="desk")
LAY_DOWN = Command(".LAYDOWN", "Lay it down", "Nothing in hand, no card in force", group="desk")

COMMANDS = (
    *(TAKE_IN, ON_BENCH, PARTS, QUALITY, PASSED, READY),
    *(SHELF, FAMILY, CLEANED),
    *(FIVE, FIFTEEN, THIRTY),
    *(UNDO, LAY_DOWN),
)
GROUPS = (("work", "The work"), ("out", "Out, and cleaned"), ("minutes", "Minutes"), ("desk", "The desk"))
_BY_CODE = {command.code: command for command in COMMANDS}


def is_command(scanned: str) -> bool:
    """Tell whether what was scanned is meant as a card, known or not: no tag begins like one.

    >>> is_command(" .ready "), is_command("FL-1042")
    (True, False)
    """
    return plain(scanned).startswith(SIGN)


def read_command(scanned: str) -> Command | None:
    """Return the card that was scanned, however the scanner writes it; None for anything else.

    >>> read_command("]C1.Ready").label
    'Ready'
    """
    return _BY_CODE.get(plain(scanned))


def plain(scanned: str) -> str:
    """Take off what a scanner adds: blanks, line ends, and a symbology identifier (ISO/IEC 15424) such as ]C1 or ]Q3."""
    text = "".join(letter for letter in scanned if letter.isprintable() and not letter.isspace())
    return (text[3:] if text.startswith("]") else text).upper()
