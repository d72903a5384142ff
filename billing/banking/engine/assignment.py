"""Who gets what: every open item serves one line. What is certain is settled first, by evidence and with a margin."""

from collections.abc import Iterable, Sequence

from billing.banking.engine.books import Books, Line, Way
from billing.banking.engine.evidence import Candidate, Key, Name, Outcome
from billing.banking.engine.ranking import keys_of, rank

ROUNDS = 3


def match(lines: Sequence[Line], books: Books) -> dict[int, Outcome]:
    """Return what each line may be, by its key. No open item is certain for, or first proposed to, two lines."""
    ranked = {line.key: rank(line, books) for line in lines if line.cents > 0}
    taken: set[int] = set()
    waiting = [line for line in lines if line.key in ranked]
    for _round in range(ROUNDS):
        settled = _settle(waiting, ranked, books, taken)
        if not settled:
            break
        waiting = [line for line in waiting if line.key not in settled]
    _share_out(waiting, ranked, taken)
    return {line.key: _outcome(ranked.get(line.key, [])) for line in lines}


def _settle(waiting: Iterable[Line], ranked: dict[int, list[Candidate]], books: Books, taken: set[int]) -> set[int]:
    """Settle the lines with one certain candidate; those that want the same item settle it by a stronger key, or not at all."""
    wanted: dict[int, list[tuple[Key, int]]] = {}
    sure: dict[int, tuple[Candidate, Way]] = {}
    for line in waiting:
        candidates = _free(ranked[line.key], taken)
        best = _certain(line, candidates, books)
        if best is None:
            continue
        way = free_way(best, taken)
        if way is None:
            continue
        sure[line.key] = best, way
        for item in way.items:
            wanted.setdefault(item.key, []).append((best.key, line.key))
    settled = set()
    for key, (best, way) in sure.items():
        if all(_wins(best, wanted[item.key]) for item in way.items) and not taken & {item.key for item in way.items}:
            best.is_certain, best.way = True, way
            taken.update(item.key for item in way.items)
            ranked[key] = [best, *(each for each in ranked[key] if each is not best)]
            settled.add(key)
    return settled


def _wins(candidate: Candidate, claims: list[tuple[Key, int]]) -> bool:
    """Tell whether a claim stands alone, or is by a number where all the others are not."""
    return len(claims) == 1 or (candidate.key is Key.NUMBER and sum(1 for key, _line in claims if key is Key.NUMBER) == 1)


def free_way(candidate: Candidate, taken: set[int]) -> Way | None:
    """Return the first way whose items are all still open."""
    return next((way for way in candidate.ways if not any(item.key in taken for item in way.items)), None)


def _free(candidates: list[Candidate], taken: set[int]) -> list[Candidate]:
    return [each for each in candidates if each.ways and free_way(each, taken)]


def _certain(line: Line, candidates: list[Candidate], books: Books) -> Candidate | None:
    """Return the candidate that the rules of evidence make certain, None when a second look is needed."""
    strong = [each for each in candidates if each.is_strong]
    if not strong:
        return None
    keyed = [each for each in strong if each.key in {Key.NUMBER, Key.PAYER}]
    if keyed:
        return _by_key(line, keyed, candidates)
    best = max(strong, key=lambda each: (each.key, each.name, -each.chance))
    rivals = [each for each in candidates if each is not best and _rivals(each, best)]
    if rivals or _points_elsewhere(line, best, books):
        return None
    return best


def _by_key(line: Line, keyed: list[Candidate], candidates: list[Candidate]) -> Candidate | None:
    """A number or a remembered payer decides, unless it points to two families or the name says it is somebody else."""
    best = max(keyed, key=lambda each: each.key)
    if sum(1 for each in keyed if each.key is best.key) > 1:
        return None
    others = [each for each in candidates if each is not best and each.name >= Name.FULL_NEAR]
    if best.key is Key.NUMBER and line.words:
        return best if best.name > Name.NONE or not others else None
    return None if any(each.name > best.name for each in others) or (best.fee and others) else best


def _rivals(other: Candidate, best: Candidate) -> bool:
    """Tell whether another family fits so well that the first is not the only one."""
    if other.key > best.key:
        return True
    if best.name is Name.FULL:
        return other.name is Name.FULL
    return other.name >= min(best.name, Name.INITIAL) - 1


def _points_elsewhere(line: Line, best: Candidate, books: Books) -> bool:
    """Tell whether a number or a remembered payer names another family than the one whose name and amount fit."""
    keys = keys_of(line, books)
    if not keys or best.key is Key.SLIP:
        return False
    return best.family not in keys and (Key.PAYER in keys.values() or best.name < Name.FULL)


def _share_out(waiting: Sequence[Line], ranked: dict[int, list[Candidate]], taken: set[int]) -> None:
    """Give each open item to the line it fits best as its first proposal; the others see it further down."""
    claims = sorted(
        ((each.score, line.key, place) for line in waiting for place, each in enumerate(ranked[line.key]) if each.ways),
        key=lambda claim: (-claim[0], claim[1]),
    )
    first: dict[int, Candidate] = {}
    gone = set(taken)
    for _score, key, place in claims:
        candidate = ranked[key][place]
        way = free_way(candidate, gone) if key not in first else free_way(candidate, taken)
        if way is None:
            continue
        candidate.way = way
        if key not in first:
            first[key] = candidate
            gone.update(item.key for item in way.items)
    for line in waiting:
        left = [each for each in ranked[line.key] if not each.ways or free_way(each, taken)]
        chosen = first.get(line.key)
        ranked[line.key] = [chosen, *(each for each in left if each is not chosen)] if chosen else left


def _outcome(candidates: list[Candidate]) -> Outcome:
    margin = candidates[0].score - candidates[1].score if len(candidates) > 1 else (candidates[0].score if candidates else 0.0)
    return Outcome(tuple(candidates), round(margin, 3))
