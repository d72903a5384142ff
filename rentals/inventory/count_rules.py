"""How a count and the books are held against each other: pure, no database, no clock."""

from dataclasses import dataclass
from enum import StrEnum
from uuid import UUID

IN_A_SHOP = ("shelf", "bench")


class Verdict(StrEnum):
    """What is told at once about a scan."""

    OK = "ok"
    ALREADY = "already"
    OTHER_KIND = "other_kind"
    ELSEWHERE = "elsewhere"
    VAN = "van"
    SCHOOL = "school"
    FAMILY = "family"
    LOST = "lost"
    SOLD = "sold"
    RETIRED = "retired"
    NOWHERE = "nowhere"
    UNKNOWN = "unknown"
    UNCLEAR = "unclear"
    UNDONE = "undone"


# tone and the word said, by verdict; the sentence after it says what to do next
WORDS: dict[Verdict, tuple[str, str, str]] = {
    Verdict.OK: ("good", "Counted", ""),
    Verdict.ALREADY: ("info", "Counted before", "Put it back; it counts once."),
    Verdict.OTHER_KIND: ("info", "Not in this count", "It belongs here, but its kind is not being counted."),
    Verdict.ELSEWHERE: ("warn", "Belongs to another shop", "Set it aside; the review asks where it stays."),
    Verdict.VAN: ("warn", "In the van by the books", "Set it aside; it may have come off unnoticed."),
    Verdict.SCHOOL: ("warn", "At a school by the books", "Set it aside; the review asks whether it came back."),
    Verdict.FAMILY: ("warn", "With a family by the books", "Set it aside; it may have come back unnoticed."),
    Verdict.LOST: ("warn", "Was lost, is found", "Set it aside; the review puts it back on the shelf."),
    Verdict.SOLD: ("bad", "Sold by the books", "Set it aside and ask the manager before it goes anywhere."),
    Verdict.RETIRED: ("bad", "Retired by the books", "Set it aside; the review asks whether it stays retired."),
    Verdict.NOWHERE: ("warn", "Never put anywhere", "Set it aside; the review puts it on the shelf."),
    Verdict.UNKNOWN: ("bad", "Unknown code", "Scan the shop's own label, or set it aside for the review."),
    Verdict.UNCLEAR: ("bad", "Two instruments share this number", "Scan the shop's own label instead."),
    Verdict.UNDONE: ("info", "Taken back", "Scan it again to count it."),
}


@dataclass(frozen=True)
class Told:
    """The answer to one scan: verdict, tone, the word, what to do, the code, and what it is."""

    client_id: UUID
    verdict: Verdict
    code: str
    item: str = ""
    more: str = ""

    @property
    def tone(self) -> str:
        """good, info, warn or bad."""
        return WORDS[self.verdict][0]

    @property
    def word(self) -> str:
        """What it says."""
        return WORDS[self.verdict][1]

    @property
    def text(self) -> str:
        """What is known beside, and what to do."""
        return " ".join(part for part in (self.more, WORDS[self.verdict][2]) if part)


def judge_scan(*, place: str, is_this_shop: bool, is_counted_kind: bool) -> Verdict:
    """Tell what a scan means, by where the books had the instrument at that moment ("" when nowhere).

    >>> judge_scan(place="shelf", is_this_shop=True, is_counted_kind=True).value
    'ok'
    >>> judge_scan(place="", is_this_shop=False, is_counted_kind=True).value
    'nowhere'
    """
    if place in IN_A_SHOP:
        if not is_this_shop:
            return Verdict.ELSEWHERE
        return Verdict.OK if is_counted_kind else Verdict.OTHER_KIND
    return Verdict(place) if place else Verdict.NOWHERE


class Standing(StrEnum):
    """How one instrument stands at the end of a comparison."""

    FOUND = "found"
    MISSING = "missing"
    LEFT_SINCE = "left"
    CAME_SINCE = "came"
    BOOKED_SINCE = "booked"
    MOVED_ON = "moved_on"
    NOT_ASKED = "not_asked"
    UNEXPECTED = "unexpected"


EXPLAINED: dict[Standing, str] = {
    Standing.LEFT_SINCE: "Stood here when the count began and left by a move in the books since.",
    Standing.CAME_SINCE: "Came here, or was in somebody's hands here, after the count began.",
    Standing.BOOKED_SINCE: "Was not here by the books when it was scanned; has been booked in here since.",
    Standing.MOVED_ON: "Was not here by the books when it was scanned; a later move says where it went.",
    Standing.NOT_ASKED: "Stands here, but its kind is not being counted.",
}


@dataclass(frozen=True)
class Chain:
    """What the custody chain says of one instrument around a count, and whether it was scanned.

    stood: one custody here lasted from before the opening until now. was_here, is_here: here at the opening, here now.
    scanned; here_at_scan; moved_since: a custody of it began after the scan. is_counted_kind: of a kind that is counted.
    """

    stood: bool = False
    was_here: bool = False
    is_here: bool = False
    scanned: bool = False
    here_at_scan: bool = False
    moved_since: bool = False
    is_counted_kind: bool = True


def judge(chain: Chain) -> Standing:
    """Say how an instrument stands; a count may go on while instruments move, and a known move is never a surprise.

    Scanned: found where the books had it here at that moment, else explained by a later move, else unexpected. Not scanned:
    missing only if it stood here all through. Who booked it in or out since had it in hand (common practice, no source).

    >>> judge(Chain(stood=True, was_here=True, is_here=True)).value, judge(Chain(was_here=True)).value
    ('missing', 'left')
    """
    if chain.scanned:
        return _judge_scanned(chain)
    if chain.stood:
        return Standing.MISSING
    return Standing.CAME_SINCE if chain.is_here else Standing.LEFT_SINCE


def _judge_scanned(chain: Chain) -> Standing:
    if chain.here_at_scan:
        return Standing.FOUND if chain.is_counted_kind else Standing.NOT_ASKED
    if chain.moved_since:
        return Standing.BOOKED_SINCE if chain.is_here else Standing.MOVED_ON
    return Standing.UNEXPECTED


# What may be done about a difference. Whether a move is allowed decides the chain of custody itself, at that moment.
WAYS: dict[str, tuple[str, ...]] = {
    "missing": ("lost", "moved_there", "left"),
    "elsewhere": ("moved_here", "left"),
    "school": ("moved_here", "left"),
    "family": ("moved_here", "left"),
    "lost": ("moved_here", "left"),
    "retired": ("moved_here", "left"),
    "nowhere": ("moved_here", "left"),
    "sold": ("left",),
    "unknown": ("left",),
}
