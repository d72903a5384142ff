"""The households that some lines may be of, as the engine wants them: by the numbers, the names and the payers they name."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection

from billing.banking import engine, rules
from billing.models import BankLine
from rentals.runtime.money import ZERO

MOST_OF_ONE_WORD = 400
"""Of a name that more households have, a line tells so little that the further ones are not looked at."""


@dataclass(frozen=True)
class Family:
    """A household that a line may be of, with what it owes."""

    id: int
    number: str
    name: str
    guardians: str
    owes: Decimal
    due: Decimal


FAMILIES = """
    SELECT h.id, h.number, h.name,
           coalesce((SELECT string_agg(g.given_name || ' ' || g.family_name, ', ' ORDER BY g.is_primary DESC, g.id)
                       FROM families_guardian g WHERE g.household_id = h.id), ''),
           coalesce((SELECT sum(p.amount) FROM billing_posting p JOIN billing_account a ON a.code = p.account_id
                      WHERE p.household_id = h.id AND a.is_receivable), 0),
           coalesce((SELECT sum(l.amount) FROM billing_charge c JOIN billing_chargeline l ON l.charge_id = c.id
                      WHERE c.household_id = h.id AND c.void_entry_id IS NULL AND c.due_on > %(today)s), 0)
      FROM families_household h WHERE h.id = ANY(%(ids)s)
"""


def list_families(household_ids: set[int], today: datetime.date) -> dict[int, Family]:
    """Read who some households are and what they owe: in all, and due by today. One query."""
    if not household_ids:
        return {}
    with connection.cursor() as cursor:
        cursor.execute(FAMILIES, {"ids": sorted(household_ids), "today": today})
        rows = cursor.fetchall()
    return {
        pk: Family(pk, number, name, guardians, owes, max(owes - ahead, ZERO))
        for pk, number, name, guardians, owes, ahead in rows
    }


# A word that is nobody's name may be a slip of one that is.
NAMED = """
    SELECT number, id FROM families_household WHERE number = ANY(%(numbers)s)
    UNION ALL SELECT number, household_id FROM agreements_agreement WHERE number = ANY(%(numbers)s)
    UNION ALL SELECT number, household_id FROM billing_payment WHERE number = ANY(%(numbers)s)
    UNION ALL
    SELECT '', k.household_id
      FROM (SELECT w.word FROM unnest(%(words)s::text[]) AS w (word)
            UNION
            SELECT s.word FROM unnest(%(words)s::text[]) AS w (word)
              JOIN families_searchword s ON s.word OPERATOR(public.%%) w.word AND abs(length(s.word) - length(w.word)) < 2
             WHERE length(w.word) > 3 AND NOT EXISTS (SELECT FROM families_searchword x WHERE x.word = w.word)) AS w
     CROSS JOIN LATERAL (SELECT DISTINCT household_id FROM families_searchkey
                          WHERE kind = 'n' AND key >= w.word AND key < w.word || '!' LIMIT %(most)s) AS k
"""


def find_named(lines: Sequence[BankLine]) -> tuple[dict[str, int], set[int]]:
    """Find the households that lines of money in name: by number, and all by a word of a name. One query."""
    told = [read(line) for line in lines if line.amount > 0]
    numbers = sorted({number for line in told for number in line.numbers})
    words = sorted({word.lower().replace("’", "'") for line in told for word in line.words})
    if not numbers and not words:
        return {}, set()
    with connection.cursor() as cursor:
        cursor.execute(NAMED, {"numbers": numbers, "words": words, "most": MOST_OF_ONE_WORD})
        rows = cursor.fetchall()
    return {number: household for number, household in rows if number}, {household for _number, household in rows}


def read(line: BankLine) -> engine.Line:
    """Read a line of the bank as the engine does."""
    text = f"{line.name} {line.memo}"
    told = engine.read(key=line.pk, cents=cents_of(line.amount), day=line.posted_on.toordinal(), text=text)
    return engine.Line(told.key, told.cents, told.day, told.words, told.initials, told.numbers, line.payer)


def cents_of(amount: Decimal) -> int:
    """Return an amount in whole cents."""
    return int(amount * 100)


KNOWN = """
    SELECT 'person', household_id, given_name, family_name, NULL::date, NULL::numeric
      FROM (SELECT household_id, given_name, family_name FROM families_guardian
            UNION SELECT household_id, given_name, family_name FROM families_student) people
     WHERE household_id = ANY(%(ids)s)
    UNION ALL SELECT 'number', id, number, name, NULL, NULL FROM families_household WHERE id = ANY(%(ids)s)
    UNION ALL SELECT 'item', o.household_id, o.charge_id::text, coalesce(a.number, ''), o.due_on, o.open
      FROM billing_openitem o JOIN billing_charge c ON c.id = o.charge_id
      LEFT JOIN agreements_agreement a ON a.id = c.agreement_id
     WHERE o.household_id = ANY(%(ids)s)
    UNION ALL SELECT 'owing', count(DISTINCT household_id), '', '', NULL, open FROM billing_openitem
     WHERE open = ANY(%(amounts)s) GROUP BY open
    UNION ALL SELECT 'all', count(*), '', '', NULL, NULL FROM families_household
"""


def read_books(
    lines: Sequence[BankLine], household_ids: set[int], *, numbers: Mapping[str, int], payers: Mapping[str, int]
) -> engine.Books:
    """Read what some households owe and how their people are called, for these lines; how common each amount is. One query.

    `numbers`: the households that the lines name; `payers`: those that are remembered. Both among `household_ids`.
    """
    given = {"ids": sorted(household_ids), "amounts": sorted({line.amount for line in lines if line.amount > 0})}
    people: dict[int, list[tuple[str, str]]] = {key: [] for key in household_ids}
    own: dict[int, str] = {}
    items: list[engine.Item] = []
    owing: dict[int, int] = {}
    count = 0
    with connection.cursor() as cursor:
        cursor.execute(KNOWN, given)
        for what, key, first, second, on, amount in cursor.fetchall():
            if what == "person":
                people[key] += _people(first, second)
            elif what == "number":
                own[key] = first
                people[key] += [("", word) for word in rules.words_of(second)]
            elif what == "item":
                items.append(engine.Item(int(first), cents_of(amount), on.toordinal(), key, (second,) if second else ()))
            elif what == "owing":
                owing[cents_of(amount)] = key
            else:
                count = key
    families = {key: engine.Family(key, tuple(dict.fromkeys(some)), (own.get(key, ""),)) for key, some in people.items()}
    remembered = {payer: (household,) for payer, household in payers.items()}
    books = engine.Books(items, families, remembered=remembered, family_count=count, owing=owing)
    books.by_number.update(numbers)
    return books


def _people(given: str, surname: str) -> list[tuple[str, str]]:
    """Return a person under each word of the family name: a bank writes one of two, or both."""
    first = next(iter(rules.words_of(given)), given.upper())
    return [(first, word) for word in rules.words_of(surname)]
