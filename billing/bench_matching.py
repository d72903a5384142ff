"""The bench of the matcher: invented months of a bank, as texts that banks write, with who truly paid beside each line.

Names are put together from syllables. Nothing here touches the database; amounts are whole cents.
"""

import datetime
import itertools
import random
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from rapidfuzz import fuzz, process

from billing.banking import engine
from billing.banking.engine import reading
from billing.banking.engine.books import Books, Family, Fee, Item, Line
from rentals.runtime.benches import Report, Run, bench, timed

LINES, ITEMS = 10_000, 60_000
BEGINS = datetime.date(2026, 3, 1).toordinal()
FEES = (Fee(290, 30), Fee(270, 5))
KINDS = {"reference": 40, "name": 38, "joint": 8, "card": 8, "other": 3, "outsider": 3}
HEADS = ["ACH CREDIT", "ONLINE TRANSFER", "TRANSFER FROM", "WEB PMT", "MOBILE DEPOSIT", "INCOMING TRANSFER FROM", ""]
SYLLABLES = "BA BEN BRA CA COR DA DEN DO EL FA FEN GA GRO HA HOL IN JA KEL KO LA LEN LO MA MER MO NA NOR O PA PEL RA RIN RO SA SOL STA TA THO TRE VA VEN VO WA WIN YA ZE".split()  # noqa: E501, SIM905
ENDS = "BERG DAL DER DO FORD GER HAM KER LEY LIN LOW MAN MER NER RA RIS ROW SEN SKI SON STAD TON VEZ WELL WICK".split()  # noqa: SIM905
GIVEN = "A AN BE CLA CO DA E ELI FE GI HA I JO JU KA LE LI LU MA MI NA NO OL PA RA RO SA SI TE TO VE VI".split()  # noqa: SIM905
GIVEN_ENDS = "BEL DA DRA GO LA LIA LIN MON NA NIE RA RIA RO SA SON TA TER VIN".split()  # noqa: SIM905


@dataclass
class Month:
    """An invented month: what the bank tells, and of each of our lines who paid what and how it was told."""

    lines: list[Line]
    truth: dict[int, tuple[int, tuple[int, ...]]]
    kinds: dict[int, str]
    payers: dict[int, tuple[str, str]]


@dataclass
class Town:
    """Everybody in it: families with what they owe, and how common names and amounts are."""

    chance: random.Random
    surnames: list[str]
    weights: list[float]
    families: dict[int, Family] = field(default_factory=dict)
    owed: dict[int, list[tuple[int, str]]] = field(default_factory=dict)
    prices: list[int] = field(default_factory=list)
    price_weights: list[float] = field(default_factory=list)
    given: list[str] = field(default_factory=list)

    def surname(self) -> str:
        """Draw a family name as common as it is here."""
        return self.chance.choices(self.surnames, cum_weights=self.weights)[0]

    def price(self) -> int:
        """Draw what a charge comes to."""
        return self.chance.choices(self.prices, cum_weights=self.price_weights)[0]


def make_town(chance: random.Random, *, items: int, hard: bool) -> Town:
    """Invent a town. Hard: 400 family names, the first forty times as common as the last; easy: 20,000."""
    count = 400 if hard else 20_000
    every = sorted({a + b + c for a in SYLLABLES for b in SYLLABLES for c in ENDS})
    surnames = chance.sample(every, count)
    weights = list(itertools.accumulate(1 / (n + 10) if hard else 1 / (n + 200) ** 0.5 for n in range(count)))
    town = Town(chance, surnames, weights)
    town.given = chance.sample(sorted({a + b for a in GIVEN for b in GIVEN_ENDS if len(a + b) > 3}), 300)
    _make_prices(town)
    number, total = 0, 0
    while total < items:
        number += 1
        total += _make_family(town, number)
    return town


def _make_prices(town: Town) -> None:
    """Sixty rents, four ways of protection, forty places' tax: what a charge comes to, some far more common than others."""
    rents = [(1500 + 75 * n, 1 / (4 + abs(n - 8))) for n in range(60)]
    protection = [(0, 4.0), (300, 3.0), (450, 2.0), (600, 1.0)]
    taxes = [(each, 1 / (n + 1)) for n, each in enumerate(town.chance.sample(range(400, 1100, 5), 40))]
    for rent, often in rents:
        for extra, oftener in protection:
            for rate, oftenest in taxes:
                town.prices.append(rent + extra + ((rent + extra) * rate + 5_000) // 10_000)
                town.price_weights.append(often * oftener * oftenest + (town.price_weights[-1] if town.price_weights else 0))


def _make_family(town: Town, number: int) -> int:
    chance, surname = town.chance, town.surname()
    parents = [(chance.choice(town.given), surname)]
    if chance.random() < 0.6:
        parents.append((chance.choice(town.given), surname if chance.random() < 0.8 else town.surname()))
    children = [(chance.choice(town.given), surname) for _n in range(chance.choices([1, 2, 3], [7, 2.5, 0.5])[0])]
    agreements = [(town.price(), f"A-{number * 4 + n:06}") for n in range(len(children))]
    # One in five owes the month before as well.
    owed = agreements + (agreements[:1] if chance.random() < 0.2 else [])
    town.families[number] = Family(number, (*parents, *children), (f"H-{number:05}",))
    town.owed[number] = owed
    return len(owed)


def bill(town: Town, *, begins: int, first_key: int) -> list[Item]:
    """Charge every family for a month: the open items, due on the first or the fifteenth."""
    items: list[Item] = []
    for family, owed in town.owed.items():
        for place, (cents, number) in enumerate(owed):
            is_late = place > 0 and number == owed[0][1]
            day = begins + town.chance.choice([0, 14]) - (30 if is_late else 0)
            items.append(Item(first_key + len(items), cents, day, family, (number,)))
    return items


def tell(town: Town, items: Sequence[Item], *, count: int, before: Month | None = None) -> Month:
    """Have a bank tell of payments: who pays, how it is told, as often as the kinds say. `before`: most pay as they did then."""
    chance = town.chance
    month = Month([], {}, {}, {})
    by_family: dict[int, list[Item]] = {}
    for item in items:
        by_family.setdefault(item.family, []).append(item)
    several = [key for key, some in by_family.items() if len(some) > 1]
    chance.shuffle(several)
    order = list(by_family)
    chance.shuffle(order)
    told = list(before.payers.items()) if before else []
    chance.shuffle(told)
    again = iter(told[: int(count * 0.8)])
    paid: set[int] = set()
    for key in range(1, count + 1):
        kind = chance.choices(list(KINDS), list(KINDS.values()))[0]
        known = next(again, None) if kind != "outsider" else None
        family, kind, payer = (known[0], *known[1]) if known else (0, kind, "")
        if not family and kind != "outsider":
            pool = several if kind == "joint" else order
            family = next((pool.pop() for _n in range(len(pool)) if pool[-1] not in paid or pool.pop() is None), 0) or order.pop()
        _tell_one(town, month, (key, kind, family, payer), by_family.get(family, []))
        paid.add(family)
    return month


def _tell_one(town: Town, month: Month, who: tuple[int, str, int, str], owed: list[Item]) -> None:
    key, kind, family, payer = who
    chance = town.chance
    day = BEGINS + chance.randrange(28)
    if kind == "outsider":
        _tell_outsider(town, month, key, day)
        return
    oldest = sorted(owed, key=lambda item: (item.day, item.key))
    some = oldest[: min(len(oldest), chance.choice([2, 2, 3]))] if kind == "joint" else [chance.choice(oldest)]
    gross = sum(item.cents for item in some)
    cents = gross - chance.choice(FEES).kept(gross) if kind == "card" else gross
    text = payer or _text(town, kind, family, some)
    if kind == "reference":
        text = _again_with_number(town, text, family, some) if payer else text
    day = min(max(some[0].day, day - 20) + chance.randrange(-5, 25), max(day, some[0].day))
    head = chance.choice(HEADS) if kind != "card" else "CARD PAYOUT"
    month.lines.append(reading.read(key=key, cents=cents, day=day, text=f"{head} {text}".strip()))
    month.truth[key] = family, tuple(sorted(item.key for item in some))
    month.kinds[key], month.payers[family] = kind, (kind, text)


def _tell_outsider(town: Town, month: Month, key: int, day: int) -> None:
    """Somebody who owes us nothing: a person with a name and a sum as they are common here, or a firm."""
    if town.chance.random() < 0.7:
        cents, text = town.price(), _person(town, (town.chance.choice(town.given), town.surname()))
    else:
        cents, text = town.chance.randrange(500, 40_000), f"{town.surname()} TRADING"
    month.lines.append(reading.read(key=key, cents=cents, day=day, text=f"{town.chance.choice(HEADS)} {text}".strip()))
    month.kinds[key] = "outsider"


def _text(town: Town, kind: str, family: int, some: Sequence[Item]) -> str:
    chance, people = town.chance, town.families[family].people
    if kind == "other":
        return f"{chance.choice(town.given)} {town.surname()}"
    person = people[0] if chance.random() < 0.75 else chance.choice(people)
    if kind == "reference":
        return _again_with_number(town, f"{person[0]} {person[1]}" if chance.random() < 0.7 else "", family, some)
    if kind == "name":
        return _person(town, person)
    return f"{person[0]} {person[1]}"


def _again_with_number(town: Town, text: str, family: int, some: Sequence[Item]) -> str:
    """Put the month's number behind a name: the agreement's or the family's, four in a hundred with a slip."""
    chance = town.chance
    name = text.rpartition(" REF ")[0] if " REF " in text else "" if text.startswith("REF ") else text
    number = chance.choice([some[0].numbers[0], town.families[family].numbers[0]])
    if chance.random() < 0.04:
        place = chance.randrange(2, len(number))
        number = number[:place] + chance.choice([x for x in "0123456789" if x != number[place]]) + number[place + 1 :]
    return f"{name} REF {number}".strip()


def _person(town: Town, person: tuple[str, str]) -> str:
    """Write a name as banks pass it on: a quarter misspelt, a third with an initial or the family name alone."""
    chance = town.chance
    given, surname = person
    drawn = chance.random()
    if drawn < 0.25:
        given, surname = (given, misspell(chance, surname)) if chance.random() < 0.65 else (misspell(chance, given), surname)
    elif drawn < 0.25 + 1 / 6:
        given = given[0]
    elif drawn < 0.25 + 1 / 3:
        return surname
    return f"{given} {surname}" if chance.random() < 0.8 else f"{surname} {given}"


def misspell(chance: random.Random, word: str) -> str:
    """Make one slip in a word, one time in five two: a letter lost, doubled, changed, or two swapped."""
    for _n in range(2 if chance.random() < 0.2 else 1):
        at = chance.randrange(1, max(len(word) - 1, 2))
        letter = chance.choice("ABCDEFGHIKLMNOPRSTUVWYZ")
        word = chance.choice(
            [
                word[:at] + word[at + 1 :],
                word[:at] + word[at] + word[at:],
                word[:at] + letter + word[at + 1 :],
                word[: at - 1] + word[at : at + 1] + word[at - 1 : at] + word[at + 1 :],
            ]
        )
    return word


def measure(month: Month, books: Books, found: dict[int, engine.Outcome]) -> dict[str, Any]:
    """Compare what was found with who truly paid. Two items of one family and amount are one as good as the other."""
    values = {item.key: item.cents for item in books.items}
    certain, right, first_three, knowable, uneven = 0, 0, 0, 0, 0
    for line in month.lines:
        outcome, truth = found[line.key], month.truth.get(line.key)
        if outcome.certain:
            certain += 1
            right += truth is not None and _is_right(outcome.certain, truth, values)
            uneven += outcome.certain.pays != line.cents
        if truth is not None and month.kinds[line.key] != "other":
            knowable += 1
            first_three += any(_is_right(each, truth, values) for each in outcome.candidates[:3])
    return {
        "precision": round(right / max(certain, 1), 5),
        "recall": round(right / len(month.truth), 4),
        "top3": round(first_three / max(knowable, 1), 4),
        "wrong": certain - right,
        "uneven": uneven,
    }


def _is_right(candidate: engine.Candidate, truth: tuple[int, tuple[int, ...]], values: dict[int, int]) -> bool:
    family, items = truth
    way = candidate.way or (candidate.ways[0] if candidate.ways else None)
    if candidate.family != family or way is None:
        return False
    return sorted(item.cents for item in way.items) == sorted(values[key] for key in items)


@bench("matching")
def matching(run: Run) -> Report:
    """Match an easy and a hard month, and a second one with the payers remembered; time the plain way on the same lines."""
    sets = {name: _one_set(run, hard=name == "hard") for name in ("easy", "hard")}
    return {
        "size": {"lines": run.count(LINES), "open_items": run.count(ITEMS)},
        "uneven": sum(each["uneven"] + each["second_month"]["uneven"] for each in sets.values()),
        "seconds": round(sum(each["seconds"] for each in sets.values()), 3),
        "floor_seconds": round(sum(each["every_name_seconds"] for each in sets.values()), 3),
        **sets,
    }


def _one_set(run: Run, *, hard: bool) -> Report:
    chance = random.Random(run.chance.random())  # noqa: S311 - repeatable, not secret
    run.tell(f"inventing {'a hard' if hard else 'an easy'} town")
    town = make_town(chance, items=run.count(ITEMS), hard=hard)
    items = bill(town, begins=BEGINS, first_key=1)
    month = tell(town, items, count=run.count(LINES))
    began = time.perf_counter()
    books = Books(items, town.families, FEES)
    found = engine.match(month.lines, books)
    seconds = time.perf_counter() - began
    run.tell("every line with every name")
    plain = _every_name(month.lines, town)
    again = bill(town, begins=BEGINS, first_key=len(items) + 1)
    second = tell(town, again, count=run.count(LINES), before=month)
    later = Books(again, town.families, FEES, remember(month))
    return {
        **measure(month, books, found),
        "seconds": round(seconds, 3),
        "every_name_seconds": round(plain, 3),
        "ratio": round(seconds / plain, 3),
        "families": len(town.families),
        "second_month": measure(second, later, engine.match(second.lines, later)),
    }


def remember(month: Month) -> dict[str, tuple[int, ...]]:
    """Return the payers a person would have confirmed in a month: those of few families."""
    known: dict[str, set[int]] = {}
    for line in month.lines:
        if line.payer and line.key in month.truth:
            known.setdefault(line.payer, set()).add(month.truth[line.key][0])
    return {payer: tuple(sorted(families)) for payer, families in known.items() if len(families) <= engine.MOST_OF_ONE_PAYER}


def _every_name(lines: Sequence[Line], town: Town) -> float:
    """Time comparing lines with the name of every family's first guardian, each name once: a tenth of them, tenfold."""
    names = sorted({" ".join(family.people[0]) for family in town.families.values()})
    texts = [" ".join(line.words) for line in lines[::10]]

    def compare() -> None:
        for text in texts:
            process.extract(text, names, scorer=fuzz.ratio, score_cutoff=80, limit=3)

    return timed(compare) * len(lines) / len(texts)
