"""Families whose payment a line may be that is not in the books yet: what the engine found, in words."""

import datetime
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from billing.banking import engine, payers
from billing.banking.engine.ranking import name_of
from billing.banking.households import Family, find_named, list_families, read, read_books
from billing.models import BankLine
from rentals.runtime.money import cents
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written

MOST_NAMESAKES = 6
BY_NAME = {
    engine.Name.FULL: "The bank’s text names {family}",
    engine.Name.FULL_NEAR: "The bank’s text names {family}, one name misspelt",
    engine.Name.INITIAL: "The bank’s text names {family}, with an initial",
    engine.Name.LAST: "The bank’s text names {family}, the family name alone",
    engine.Name.INITIAL_NEAR: "The bank’s text nearly names {family}, with an initial",
    engine.Name.LAST_NEAR: "The bank’s text nearly names {family}",
    engine.Name.OTHER_GIVEN: "The bank’s text names {family} with another first name",
    engine.Name.NONE: "A name like one in {family}",
}


@dataclass(frozen=True)
class NewPayment:
    """A payment a line may be. `charge_ids`: the open charges it is to the cent; none where the family owes another amount."""

    family: Family
    reason: str
    is_certain: bool
    charge_ids: tuple[int, ...] = ()


@dataclass
class Known:
    """What was read for some lines."""

    families: dict[int, Family] = field(default_factory=dict)
    outcomes: dict[int, engine.Outcome] = field(default_factory=dict)
    told: dict[int, engine.Line] = field(default_factory=dict)
    books: engine.Books | None = None
    numbers: dict[str, int] = field(default_factory=dict)
    memory: payers.Remembered = field(default_factory=lambda: payers.Remembered({}, set()))
    by_surname: dict[str, list[int]] = field(default_factory=dict)


def look_up(lines: Sequence[BankLine], *, today: datetime.date, paid: Collection[int] = ()) -> Known:
    """Read all that is needed for these lines, and match them with families. Four queries, whatever the number.

    `paid`: lines that something in the books fits by a key, so that the engine keeps them out of who gets what.
    """
    money_in = [line for line in lines if line.amount > 0 and line.pk not in paid]
    if not money_in:
        return Known()
    known = Known(memory=payers.recall({line.payer for line in money_in if line.payer}))
    known.numbers, wanted = find_named(money_in)
    remembered = {payer: household for payer, (household, _on) in known.memory.households.items()}
    wanted |= set(known.numbers.values()) | set(remembered.values())
    if not wanted:
        return known
    known.books = read_books(money_in, wanted, numbers=known.numbers, payers=remembered)
    known.told = {line.pk: read(line) for line in money_in}
    known.outcomes = engine.match(list(known.told.values()), known.books)
    for key, family in known.books.families.items():
        for surname in {surname for _given, surname in family.people}:
            known.by_surname.setdefault(surname, []).append(key)
    known.families = list_families(_worth_showing(known), today)
    return known


def _worth_showing(known: Known) -> set[int]:
    found = {each.family for outcome in known.outcomes.values() for each in outcome.candidates}
    found |= {household for told in known.told.values() for household in _namesakes(told, known)}
    return found | set(known.numbers.values())


def list_for(line: BankLine, known: Known, *, paid_by: Collection[int | None]) -> list[NewPayment]:
    """List the payments a line may be, the likeliest first. `paid_by`: families whose payment of it is in the books already."""
    outcome = known.outcomes.get(line.pk)
    if outcome is None:
        return []
    found: dict[int, NewPayment] = {}
    for candidate in outcome.candidates:
        family = known.families.get(candidate.family)
        if family is not None:
            found[family.id] = _from_candidate(line, known, candidate, family)
    for key in _namesakes(known.told[line.pk], known):
        family = known.families.get(key)
        if family is not None and key not in found:
            name, _count = name_of(known.told[line.pk], known.books, known.books.families[key])  # type: ignore[arg-type, union-attr]
            found[key] = NewPayment(family, _told(BY_NAME[name].format(family=family.name), line, family, ()), is_certain=False)
    return [each for key, each in found.items() if key not in paid_by]


def _from_candidate(line: BankLine, known: Known, candidate: engine.Candidate, family: Family) -> NewPayment:
    way = candidate.way or (candidate.ways[0] if candidate.ways else None)
    items = way.items if way else ()
    sure = candidate.is_certain and (line.payer, family.id) not in known.memory.refused
    whole = candidate.key is engine.Key.NUMBER and not items and line.amount in {family.due, family.owes}
    said = _evidence(line, known, candidate, family)
    if sure and candidate.key is engine.Key.NONE:
        said += "; no other fits name and amount"
    reason = _told(said, line, family, items)
    return NewPayment(family, reason, sure or (whole and _is_alone(line, known)), tuple(item.key for item in items))


def _is_alone(line: BankLine, known: Known) -> bool:
    """Tell whether no other line of these has the amount: all that is owed is paid once."""
    return sum(1 for told in known.told.values() if told.cents == int(line.amount * 100)) == 1


def _evidence(line: BankLine, known: Known, candidate: engine.Candidate, family: Family) -> str:
    if candidate.key is engine.Key.NUMBER:
        number = next((x for x in known.told[line.pk].numbers if known.numbers.get(x) == family.id), family.number)
        return f"The bank’s text names {number}"
    if candidate.key is engine.Key.PAYER:
        return f"The same payer as on {written_day(known.memory.households[line.payer][1], 'short')}"
    slip = ", and a number one digit away" if candidate.key is engine.Key.SLIP else ""
    return BY_NAME[candidate.name].format(family=family.name) + slip


def _told(said: str, line: BankLine, family: Family, items: Sequence[engine.Item]) -> str:
    """Say what speaks for a family, and what it owes."""
    if line.amount in {family.due, family.owes}:
        owed = f"{written(line.amount)} is what is due"
    elif len(items) > 1:
        each = " and ".join(written(cents(Decimal(item.cents) / 100)) for item in items)
        owed = f"{each} are open"
    elif items:
        owed = f"a charge of {written(line.amount)} is open"
    else:
        owed = f"{written(family.due)} is due now"
    return f"{said}; {owed}. {family.guardians}".strip()


def _namesakes(told: engine.Line, known: Known) -> list[int]:
    """Families that the line's words name best, where they are few."""
    if known.books is None:
        return []
    keys = {key for word in told.words for key in known.by_surname.get(word, ())}
    ranked = [(name_of(told, known.books, known.books.families[key])[0], key) for key in keys]
    best = max((name for name, _key in ranked), default=engine.Name.NONE)
    few = sorted(key for name, key in ranked if name is best)
    return few if len(few) <= MOST_NAMESAKES else []
