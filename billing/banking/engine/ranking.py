"""The families that one line may be of, each with what speaks for it. One line at a time; who gets what is settled elsewhere."""

from collections.abc import Iterator

from rapidfuzz import fuzz, process

from billing.banking.engine.books import Books, Family, Fee, Line, Way, is_near
from billing.banking.engine.evidence import Candidate, Key, Name, score_of
from billing.banking.engine.words import is_slip

KEPT = 6
FAR_SPELLING = 78.0
MOST_NAMESAKES = 6


def rank(line: Line, books: Books) -> list[Candidate]:
    """List the candidates of a line of money in, the likeliest first, at most six."""
    found: dict[int, Candidate] = {}
    for fee, cents in amounts_of(line, books):
        for candidate in _with_amount(line, books, cents, fee):
            found.setdefault(candidate.family, candidate)
    if not any(each.name >= Name.LAST_NEAR or each.key for each in found.values()):
        for candidate in _far_spelt(line, books):
            found.setdefault(candidate.family, candidate)
    if not found:
        found = {each.family: each for each in _without_amount(line, books)}
    for candidate in found.values():
        candidate.score = score_of(candidate, line.day)
    return sorted(found.values(), key=lambda each: (-each.score, each.family))[:KEPT]


def amounts_of(line: Line, books: Books) -> Iterator[tuple[Fee | None, int]]:
    """Give the line's amount, and what it was before a processor kept its fee."""
    yield None, line.cents
    for fee in books.fees:
        gross: int | None = fee.gross(line.cents)
        if gross is not None:
            yield fee, gross


def keys_of(line: Line, books: Books) -> dict[int, Key]:
    """Return the families that a line points to by a number, or by a payer who is remembered."""
    keys: dict[int, Key] = {}
    if not line.payer and not line.numbers:
        return keys
    keys.update(dict.fromkeys(books.remembered.get(line.payer, ()), Key.PAYER))
    keys.update({books.by_number[number]: Key.NUMBER for number in line.numbers if number in books.by_number})
    return keys


def _with_amount(line: Line, books: Books, cents: int, fee: Fee | None) -> Iterator[Candidate]:
    ways: dict[int, list[Way]] = {}
    keys = keys_of(line, books)
    for key in keys:
        for way in books.of_family(key, cents):
            if is_near(way, line.day):
                ways.setdefault(key, []).append(way)
    for word in line.words:
        for surname in (word, *books.near_surnames.of(word)):
            for way in books.ways.get((cents, surname), ()):
                if way.family not in keys and is_near(way, line.day):
                    ways.setdefault(way.family, []).append(way)
    for key, some in ways.items():
        unique = list(dict.fromkeys(some)) if len(some) > 1 else some
        yield _candidate(line, books, books.families[key], unique, keys.get(key, Key.NONE), fee)


def _candidate(  # noqa: PLR0917 - private, called twice
    line: Line, books: Books, family: Family, ways: list[Way], key: Key, fee: Fee | None
) -> Candidate:
    name, namesakes = name_of(line, books, family)
    if key is Key.NONE and line.numbers and _is_slip_of(line, family, ways):
        key = Key.SLIP
    amounts = [cents for _fee, cents in amounts_of(line, books)] if fee else [line.cents]
    return Candidate(family.key, ways, name, key, fee, chance=namesakes * books.commonness(amounts))


def _is_slip_of(line: Line, family: Family, ways: list[Way]) -> bool:
    theirs = [*family.numbers, *(number for way in ways for item in way.items for number in item.numbers)]
    return any(is_slip(number, other) for number in line.numbers for other in theirs)


def name_of(line: Line, books: Books, family: Family) -> tuple[Name, int]:
    """Return how well a line's words are a name in this family, and in how many families they would be as well."""
    words = set(line.words)
    best, namesakes = Name.NONE, len(books.families)
    for given, surname in family.people:
        if surname in words:
            rest = words - {surname}
        else:
            unknown = (word for word in line.words if word not in books.surnames)
            spelt = next((word for word in unknown if surname in books.near_surnames.of(word)), None)
            if spelt is None:
                continue
            rest = words - {spelt}
        name, count = _with_given(line, books, given, surname, rest, is_near_spelt=surname not in words)
        if name > best:
            best, namesakes = name, count
    return best, namesakes


def _with_given(line: Line, books: Books, given: str, surname: str, rest: set[str], *, is_near_spelt: bool) -> tuple[Name, int]:
    alike = (surname, *books.near_surnames.of(surname)) if is_near_spelt else (surname,)
    if given in rest:
        return (Name.FULL_NEAR if is_near_spelt else Name.FULL), sum(books.full[given, each] for each in alike)
    # What is a name as it stands is no slip of another one.
    if not is_near_spelt and any(word not in books.given and given in books.near_given.of(word) for word in rest):
        near = (given, *books.near_given.of(given))
        return Name.FULL_NEAR, sum(books.full[each, surname] for each in near)
    if given[:1] in line.initials:
        return (Name.INITIAL_NEAR if is_near_spelt else Name.INITIAL), sum(books.initial[given[:1], each] for each in alike)
    count = sum(books.surnames[each] for each in alike)
    if rest or line.initials:
        return Name.OTHER_GIVEN, count
    return (Name.LAST_NEAR if is_near_spelt else Name.LAST), count


def _far_spelt(line: Line, books: Books) -> Iterator[Candidate]:
    """Look among all who owe exactly this for a name that is spelt farther off."""
    block = books.by_amount.get(line.cents, [])
    if not block or not line.words:
        return
    text = " ".join(sorted(line.words))
    names = {
        (n, place): " ".join(sorted(person))
        for n, way in enumerate(block)
        for place, person in enumerate(books.families[way.family].people)
    }
    for _name, _score, (n, _place) in process.extract(text, names, scorer=fuzz.ratio, score_cutoff=FAR_SPELLING, limit=3):
        way = block[n]
        if is_near(way, line.day):
            yield Candidate(way.family, [way], chance=1.0)


def _without_amount(line: Line, books: Books) -> Iterator[Candidate]:
    """Families that the line names though they owe another amount: by number, as remembered, or by a name that few have."""
    keys = keys_of(line, books)
    for key, why in keys.items():
        yield Candidate(key, [], key=why, name=name_of(line, books, books.families[key])[0])
