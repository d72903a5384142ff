"""The closing sheet: what must agree at the end of an evening, line by line, with what differs and where to look."""

import datetime
from dataclasses import dataclass, field
from typing import Any

from django.db import transaction

from rentals.counter.nights.board import queries
from rentals.counter.nights.board.queries import Evening
from rentals.documents import operations as documents
from rentals.documents.models import Document
from rentals.documents.pages import NightClosingPage, NightLine
from rentals.runtime.locks import lock_one
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money
from rentals.staff.models import User
from schools.models import Night

GOOD, NAMED, BLOCKS = "good", "warn", "bad"
WORDS = {GOOD: "Agrees", NAMED: "Differs", BLOCKS: "Not yet"}


class NightNotOpenError(Exception):
    """Only a night under way is closed."""

    def __init__(self, night: Night) -> None:
        self.night = night
        super().__init__(f"The night at {night.school} is {night.get_state_display().lower()}: only one under way is closed.")


class NotReadyToCloseError(Exception):
    """Something stands in the way of closing."""

    def __init__(self, lines: list["Line"]) -> None:
        self.lines = lines
        super().__init__(" ".join(line.differs for line in lines))


class DifferencesNeedWordsError(Exception):
    """Closing with differences takes a sentence about them."""

    def __init__(self, lines: list["Line"]) -> None:
        self.lines = lines
        named = ", ".join(line.name.lower() for line in lines)
        super().__init__(f"Not everything agrees ({named}): write what you know about it, then close.")


@dataclass(frozen=True)
class Line:
    """One line of the sheet. `facts` are its figures, (label, value); `look` names the address and argument where to look."""

    name: str
    state: str
    facts: tuple[tuple[str, str], ...]
    differs: str = ""
    look: str = ""
    argument: Any = None
    rows: tuple[Any, ...] = field(default=())

    @property
    def word(self) -> str:
        """Its state in a word."""
        return WORDS[self.state]


@dataclass(frozen=True)
class Sheet:
    """All lines, in the order of the evening's end."""

    evening: Evening
    lines: tuple[Line, ...]

    @property
    def blocking(self) -> list[Line]:
        """What stands in the way of closing."""
        return [line for line in self.lines if line.state == BLOCKS]

    @property
    def named(self) -> list[Line]:
        """What differs but may be closed with a sentence."""
        return [line for line in self.lines if line.state == NAMED]


def get_sheet(night: Night, *, now: datetime.datetime) -> Sheet:
    """Read the closing sheet of a night as it stands."""
    evening = queries.get_evening(night, now=now, with_counts=True)
    lines = (
        _tablets(evening),
        _envelopes(evening),
        _units(evening),
        _given(evening),
        *_tills(evening),
        _first_payments(evening),
        _kits(night),
    )
    return Sheet(evening, lines)


def _tablets(evening: Evening) -> Line:
    held = sum(tablet.held for tablet in evening.unsettled)
    over = sum(1 for tablet in evening.tablets if tablet.held and tablet.is_settled)
    facts = (("Tablets seen", str(len(evening.tablets))), ("Not sent yet", str(held)), ("Handed over as a file", str(over)))
    names = ", ".join(tablet.name for tablet in evening.unsettled)
    differs = (
        f"{_say(held, 'sign-up')} on tablet {names} did not reach the office: bring it on line, or hand its file over and say so."
        if held
        else ""
    )
    return Line("Tablets", BLOCKS if held else GOOD, facts, differs, rows=evening.unsettled)


def _envelopes(evening: Evening) -> Line:
    ups, given_up = evening.sign_ups, evening.given_up
    paid = sum((row.paid for row in given_up), ZERO)
    facts = (
        ("Sign-ups arrived", str(ups.arrived)),
        ("Agreements", str(ups.agreements)),
        ("Need attention", str(ups.attention)),
        ("Discarded", str(ups.discarded)),
        ("Given up on a tablet", str(len(given_up))),
    )
    says = []
    if ups.attention:
        needs = "needs" if ups.attention == 1 else "need"
        says.append(f"{_say(ups.attention, 'sign-up')} still {needs} a person: nothing is lost, look at each.")
    if given_up:
        were = "was" if len(given_up) == 1 else "were"
        says.append(f"{_say(len(given_up), 'sign-up')} {were} given up on a tablet; the board says by whom and why.")
    if paid:
        says.append(f"{money(paid)} was taken for them and is in no payment: find it.")
    return Line("Sign-ups", NAMED if says else GOOD, facts, " ".join(says), "night_sign_ups", evening.night.pk)


def _units(evening: Evening) -> Line:
    loaded, given, back, missing, left = (evening.count(name) for name in ("loaded", "given", "back", "missing", "left"))
    facts = (
        ("Loaded", str(loaded)),
        ("Given to families", str(given)),
        ("Came back", str(back)),
        ("Missing", str(missing)),
        ("Still along", str(left)),
    )
    if left:
        state, differs = BLOCKS, f"{_say(left, 'instrument')} still along: unload, or mark what cannot be found as missing."
    elif missing:
        state, differs = NAMED, f"{_say(missing, 'instrument')} marked missing: search, and report a loss once it is certain."
    else:
        state, differs = GOOD, ""
    return Line("Instruments", state, facts, differs, "night_unload", evening.night.pk)


def _given(evening: Evening) -> Line:
    agreements, given, promised = evening.sign_ups.agreements, evening.count("given"), evening.promises
    facts = (
        ("Agreements", str(agreements)),
        ("Instruments given", str(given)),
        ("Promised", str(promised)),
        ("Promises still open", str(evening.open_promises)),
    )
    if agreements != given + promised:
        differs = (
            f"{_say(agreements, 'agreement')}, but {given} given and {promised} promised make {given + promised}: "
            "look for one that was given or signed outside the tablets."
        )
        return Line("Agreements and instruments", NAMED, facts, differs, "night_sign_ups", evening.night.pk)
    if evening.open_promises:
        wait = "family still waits" if evening.open_promises == 1 else "families still wait"
        differs = f"{evening.open_promises} {wait} for an instrument: assign one to each."
        return Line("Agreements and instruments", NAMED, facts, differs, "units_to_assign", evening.night.pk)
    return Line("Agreements and instruments", GOOD, facts)


def _tills(evening: Evening) -> list[Line]:
    if not evening.tills:
        return [Line("Cash and checks", GOOD, (("Cash", money(evening.cash)), ("Checks", money(evening.cheques))))]
    return [_till(till) for till in evening.tills]


def _till(till: queries.Till) -> Line:
    count = till.count
    facts = [("Cash taken", money(till.cash)), ("Checks taken", money(till.cheques))]
    facts += [("Of that from families of this night", money(till.of_night))]
    if count is not None:
        facts += [("Cash counted", money(count.counted_cash)), ("Checks ticked", money(count.cheque_sum))]
        facts += [("Over or short", money(count.difference))]
    name = f"Takings of {till.taking.person.name}"
    if count is None:
        state, differs = NAMED, f"The day of {till.taking.person.name} is not counted down yet."
    elif not till.is_closed:
        state, differs = NAMED, f"A second person must look at the count of {till.taking.person.name}: {money(count.difference)}."
    elif count.difference:
        state, differs = NAMED, f"Counted with a difference of {money(count.difference)}: {count.reason}."
    else:
        state, differs = GOOD, ""
    return Line(name, state, tuple(facts), differs, "taking", till.taking.pk)


def _first_payments(evening: Evening) -> Line:
    """What was due and not taken, with its reason. It agrees: what is to be collected stands in the books as owed."""
    later, agreements = evening.to_collect, evening.sign_ups.agreements
    facts = (
        ("Agreements", str(agreements)),
        ("Paid in cash or by check", str(agreements - later.families - evening.unpaid)),
        ("By card or account afterwards", str(later.families)),
        ("Nothing taken, a manager agreed", str(evening.unpaid)),
        ("Still to collect", money(later.open)),
    )
    says = (
        f"{money(later.open)} of {later.unpaid} famil{'y' if later.unpaid == 1 else 'ies'} that pay{'s' * (later.unpaid == 1)} "
        "by card or bank account afterwards is still to be taken."
        if later.unpaid
        else ""
    )
    return Line("First payments", GOOD, facts, says, "night_to_collect", evening.night.pk)


def _kits(night: Night) -> Line:
    return Line("Kits and goods sold", GOOD, tuple((name, str(number)) for name, number in queries.list_kits(night)))


def _say(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


@transaction.atomic
def close_night(*, night: Night, note: str, acting_user: User, now: datetime.datetime) -> Document:
    """Close a night and keep its sheet as a document; one that is closed already gives the sheet it was closed with.

    Raises NightNotOpenError; NotReadyToCloseError while something is along or a tablet holds sign-ups;
    DifferencesNeedWordsError when something else differs and `note` is empty; RowsBusyError.
    """
    current: Night = lock_one(Night.objects.select_related("school", "location").filter(pk=night.pk))
    if current.state == Night.State.CLOSED:
        return Document.objects.get(key=document_key(current))
    if current.state != Night.State.OPEN:
        raise NightNotOpenError(current)
    sheet = get_sheet(current, now=now)
    if sheet.blocking:
        raise NotReadyToCloseError(sheet.blocking)
    if sheet.named and not note.strip():
        raise DifferencesNeedWordsError(sheet.named)
    current.state, current.ended_at, current.ended_by = Night.State.CLOSED, now, acting_user
    current.version += 1
    current.save(update_fields=["state", "ended_at", "ended_by", "version"])
    return documents.ask_for_document(
        key=document_key(current),
        kind="night_closing",
        about=f"night/{current.pk}",
        title=f"Closing of the night at {current.school}",
        page=_page(sheet, current, note.strip(), acting_user),
        now=now,
    )


def document_key(night: Night) -> str:
    """Name the one closing sheet of a night."""
    return f"night/{night.pk}/closing"


def _page(sheet: Sheet, night: Night, note: str, acting_user: User) -> NightClosingPage:
    return NightClosingPage(
        school=str(night.school),
        on=night.on,
        closed_at=night.ended_at or datetime.datetime.min.replace(tzinfo=datetime.UTC),
        closed_by=acting_user.name,
        lines=tuple(NightLine(line.name, line.word, line.facts, line.differs) for line in sheet.lines),
        note=note,
    )
