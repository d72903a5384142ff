"""Families that may be the one about to be written down a second time, with the reason each is thought to be."""

from dataclasses import dataclass

from django.db import connection

from rentals.families.queries.search import HouseholdHit, describe_households

MOST = 6

# One statement, each reason an index read: keys for telephone, address and name; likeness only among namesakes.
LIKELY = """
WITH asked AS (
    SELECT search_words(%(family_name)s) AS family, search_words(%(given_name)s) AS given,
           street_plain(%(street)s) AS street, left(%(postal_code)s, 5) AS postal_code
),
namesakes AS (
    SELECT DISTINCT k.household_id, k.key
    FROM asked, similar_words(asked.family, '{}', 6) AS w
    CROSS JOIN LATERAL (
        SELECT household_id, key FROM families_searchkey
        WHERE kind = 'n' AND key >= w.word AND key < w.word || '!' LIMIT 500
    ) AS k
    WHERE asked.family <> '' AND w.likeness >= 0.45
),
reasons AS (
    SELECT household_id, 1 AS weight, 'same telephone' AS reason FROM families_searchkey
    WHERE kind = 'p' AND key = reverse(substr(%(phone)s, 2)) AND %(phone)s <> ''
    UNION SELECT household_id, 2, 'same e-mail' FROM families_searchkey
    WHERE kind = 'e' AND key = lower(%(email)s) AND %(email)s <> ''
    UNION SELECT n.household_id, 3, 'same street, like name'
    FROM namesakes AS n JOIN families_household AS h ON h.id = n.household_id, asked
    WHERE asked.street <> '' AND street_plain(h.street) = asked.street AND left(h.postal_code, 5) = asked.postal_code
    UNION SELECT n.household_id, 4, 'like name in the same ZIP code'
    FROM namesakes AS n JOIN families_household AS h ON h.id = n.household_id, asked
    WHERE asked.given <> '' AND left(h.postal_code, 5) = asked.postal_code
      AND similarity(n.key, asked.family || ' ' || asked.given) >= 0.6
)
SELECT household_id, array_agg(reason ORDER BY weight) FROM reasons
GROUP BY household_id ORDER BY min(weight), count(*) DESC, household_id LIMIT %(most)s
"""


@dataclass(frozen=True)
class LikelyDuplicate:
    """A household that may be the same family, and why: "same telephone, same e-mail"."""

    hit: HouseholdHit
    reasons: str


def list_likely_duplicates(
    *, family_name: str, given_name: str = "", phone: str = "", email: str = "", street: str = "", postal_code: str = ""
) -> list[LikelyDuplicate]:
    """List households that may be this family: same telephone (E.164) or e-mail, or a like name at the same street or ZIP code.

    At most six, the surest first. Four queries at most.
    """
    asked = {"family_name": family_name, "given_name": given_name, "phone": phone, "email": email}
    with connection.cursor() as cursor:
        cursor.execute(LIKELY, {**asked, "street": street, "postal_code": postal_code, "most": MOST})
        reasons = {int(household_id): ", ".join(why) for household_id, why in cursor.fetchall()}
    return [LikelyDuplicate(hit, reasons[hit.household_id]) for hit in describe_households(list(reasons))]


SURE = """
WITH reached AS (
    SELECT household_id FROM families_searchkey WHERE kind = 'p' AND key = reverse(substr(%(phone)s, 2)) AND %(phone)s <> ''
    UNION SELECT household_id FROM families_searchkey WHERE kind = 'e' AND key = lower(%(email)s) AND %(email)s <> ''
)
SELECT DISTINCT g.household_id FROM families_guardian AS g
JOIN reached USING (household_id) JOIN families_household AS h ON h.id = g.household_id
WHERE lower(g.family_name) = lower(%(family_name)s)
  AND ((g.phone = %(phone)s AND g.phone <> '') OR (lower(g.email) = lower(%(email)s) AND g.email <> ''))
  AND street_plain(h.street) = street_plain(%(street)s) AND left(h.postal_code, 5) = left(%(postal_code)s, 5)
ORDER BY 1 LIMIT 2
"""


def find_same_household(*, family_name: str, phone: str, email: str, street: str, postal_code: str) -> int | None:
    """Return the one household that this family surely is; None when there is none, or more than one.

    Sure is: a guardian of the same last name with the same telephone (E.164) or e-mail, at the same street and ZIP code.
    """
    asked = {"family_name": family_name, "phone": phone, "email": email, "street": street, "postal_code": postal_code}
    with connection.cursor() as cursor:
        cursor.execute(SURE, asked)
        found = [int(row[0]) for row in cursor.fetchall()]
    return found[0] if len(found) == 1 else None
