"""Accounts that money only passes through, explained at the end of a day: what makes up the balance, and what is left."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection
from django.urls import reverse

from billing import chart
from billing.closing.reports.balances import list_balances
from billing.models import Account
from rentals.runtime.money import ZERO

# What was taken and had neither reached the bank nor come back by the end of the day.
ON_THE_WAY = """
SELECT e.id, e.entry_on, p.amount, concat_ws(', ', p.number, h.name, 'check ' || nullif(p.cheque_number, '')), 'payment', p.id
  FROM billing_payment p JOIN billing_journalentry e ON e.id = p.entry_id JOIN families_household h ON h.id = p.household_id
  LEFT JOIN billing_deposit d ON d.id = p.deposit_id LEFT JOIN billing_journalentry de ON de.id = d.entry_id
  LEFT JOIN billing_paymentreturn r ON r.payment_id = p.id LEFT JOIN billing_journalentry re ON re.id = r.entry_id
 WHERE p.method = ANY(%(methods)s) AND e.entry_on <= %(on)s AND (de.id IS NULL OR de.entry_on > %(on)s)
   AND (re.id IS NULL OR re.entry_on > %(on)s)
"""

# Paid back out of what is on hand, or to a card: until a deposit, or a payout, came to so much less.
PAID_BACK = """
SELECT e.id, e.entry_on, -l.amount,
       CASE f.method WHEN 'card' THEN 'Paid back to a card, ' ELSE 'Paid back in cash, ' END || h.name, 'refund', f.id
  FROM billing_refund f JOIN billing_charge c ON c.id = f.charge_id JOIN billing_journalentry e ON e.id = c.entry_id
  JOIN billing_chargeline l ON l.charge_id = c.id JOIN families_household h ON h.id = c.household_id
  LEFT JOIN billing_journalentry b ON b.id = c.void_entry_id LEFT JOIN billing_cardtakenback t ON t.refund_id = f.id
  LEFT JOIN billing_deposit d ON d.id = coalesce(f.deposit_id, t.deposit_id)
  LEFT JOIN billing_journalentry de ON de.id = d.entry_id
 WHERE f.method = %(back)s AND e.entry_on <= %(on)s AND (b.id IS NULL OR b.entry_on > %(on)s)
   AND (de.id IS NULL OR de.entry_on > %(on)s)
"""

# By card, a payment and its dispute are two things: each is on the way until its own payout. A card payment that came back and
# of which no processor tells, or that was voided, leaves nothing once it came back, unless its payout was there before.
CARDS = """
WITH told AS (
    SELECT p.id, p.amount, concat_ws(', ', p.number, h.name) AS title, e.id AS entry, e.entry_on AS paid_on,
           de.entry_on AS got_on, re.id AS back_entry, re.entry_on AS back_on, te.entry_on AS less_on,
           a.id IS NOT NULL AND r.kind = 'bank' AS is_disputed
      FROM billing_payment p JOIN billing_journalentry e ON e.id = p.entry_id JOIN families_household h ON h.id = p.household_id
      LEFT JOIN billing_cardattempt a ON a.payment_id = p.id
      LEFT JOIN billing_deposit d ON d.id = p.deposit_id LEFT JOIN billing_journalentry de ON de.id = d.entry_id
      LEFT JOIN billing_paymentreturn r ON r.payment_id = p.id LEFT JOIN billing_journalentry re ON re.id = r.entry_id
      LEFT JOIN billing_cardtakenback t ON t.payment_return_id = r.id
      LEFT JOIN billing_deposit td ON td.id = t.deposit_id LEFT JOIN billing_journalentry te ON te.id = td.entry_id
     WHERE p.method = 'card' AND e.entry_on <= %(on)s
), known AS (
    SELECT *, coalesce(got_on <= %(on)s, false) AS got, coalesce(back_on <= %(on)s, false) AS back,
           coalesce(less_on <= %(on)s, false) AS less FROM told
)
SELECT entry, paid_on, amount, title, 'payment', id FROM known WHERE NOT got AND (less OR NOT back OR is_disputed)
 UNION ALL
SELECT back_entry, back_on, -amount, 'Disputed or returned, ' || title, 'payment', id FROM known
 WHERE back AND NOT less AND (got OR is_disputed)
"""

# What a day's count was over or short, until a deposit came to so much more or less.
COUNTED = """
SELECT e.id, e.entry_on, p.amount, 'Counted, ' || u.name || ', ' || t.day, 'taking', t.id
  FROM billing_takingcount c JOIN billing_taking t ON t.id = c.taking_id JOIN staff_user u ON u.id = t.person_id
  JOIN billing_journalentry e ON e.id = c.entry_id JOIN billing_posting p ON p.entry_id = e.id AND p.account_id = %(account)s
  LEFT JOIN billing_journalentry x ON x.reverses_id = e.id
  LEFT JOIN billing_deposit d ON d.id = c.deposit_id LEFT JOIN billing_journalentry de ON de.id = d.entry_id
 WHERE e.entry_on <= %(on)s AND (x.id IS NULL OR x.entry_on > %(on)s) AND (de.id IS NULL OR de.entry_on > %(on)s)
"""

# What was posted, less what was undone or cleared by then: a clearing comes to zero until it is undone, and so do an entry and
# its undoing.
POSTED = """
SELECT e.id, e.entry_on, p.amount, e.memo, {word}, {key}
  FROM (SELECT entry_id, sum(amount) AS amount FROM billing_posting WHERE account_id = %(account)s GROUP BY 1) p
  JOIN billing_journalentry e ON e.id = p.entry_id
 WHERE e.entry_on <= %(on)s AND p.amount <> 0
   AND NOT EXISTS (SELECT FROM billing_journalentry x
                    WHERE (x.reverses_id = e.id OR x.id = e.reverses_id) AND x.entry_on <= %(on)s AND NOT EXISTS (
                          SELECT FROM billing_cleareditem i WHERE i.entry_id IN (x.id, e.id) AND i.account_id = %(account)s
                             AND (i.undone_on IS NULL OR i.undone_on > %(on)s)))
   AND NOT EXISTS (SELECT FROM billing_clearing c LEFT JOIN billing_cleareditem i ON i.clearing_id = c.id
                    WHERE c.cleared_on <= %(on)s AND (c.undone_on IS NULL OR c.undone_on > %(on)s)
                      AND (c.entry_id = e.id OR (i.entry_id = e.id AND i.account_id = %(account)s)))
"""
OTHER = f"""{POSTED.format(word="'other'", key="NULL::bigint")}
   AND NOT EXISTS (SELECT FROM billing_payment x WHERE x.entry_id = e.id)
   AND NOT EXISTS (SELECT FROM billing_paymentreturn x WHERE x.entry_id = e.id AND x.undone_at IS NULL)
   AND NOT EXISTS (SELECT FROM billing_deposit x WHERE x.entry_id = e.id)
   AND NOT EXISTS (SELECT FROM billing_takingcount x WHERE x.entry_id IN (e.id, e.reverses_id))
   AND NOT EXISTS (SELECT FROM billing_charge x JOIN billing_refund f ON f.charge_id = x.id
                    WHERE e.id IN (x.entry_id, x.void_entry_id))
"""  # noqa: S608 - no part of it comes from outside
TO_CLEAR = POSTED.format(
    word="CASE WHEN b.line_id IS NOT NULL THEN 'bank_line' WHEN a.id IS NOT NULL THEN 'fleet' ELSE 'other' END",
    key="coalesce(b.line_id, a.id)",
).replace(
    " WHERE e.entry_on",
    """  LEFT JOIN LATERAL (SELECT line_id FROM billing_bankmatch m WHERE m.entry_id = e.id ORDER BY m.id DESC LIMIT 1) b ON true
  LEFT JOIN LATERAL (SELECT id FROM billing_fleetasset f WHERE f.entry_id = e.id ORDER BY f.id LIMIT 1) a ON true
 WHERE e.entry_on""",
    1,
)


@dataclass(frozen=True)
class Item:
    """One thing that makes up a balance, debit positive. kind: payment, refund, taking, bank_line, fleet; other: a memo only."""

    entry_id: int
    on: datetime.date
    amount: Decimal
    title: str
    kind: str
    key: int | None

    @property
    def is_known(self) -> bool:
        """Whether the office's own records say what it is."""
        return self.kind != "other"

    @property
    def url(self) -> str:
        """Where it can be seen, "" where nothing is to be seen."""
        names = {"payment": "payment", "refund": "refund", "bank_line": "bank_line", "taking": "taking"}
        return reverse(names[self.kind], args=[self.key]) if self.kind in names and self.key else ""


@dataclass(frozen=True)
class Explained:
    """An account at the end of a day, with what makes up its balance."""

    code: str
    name: str
    on: datetime.date
    balance: Decimal
    items: list[Item]

    @property
    def sum_known(self) -> Decimal:
        """What the office's records explain."""
        return sum((item.amount for item in self.items if item.is_known), ZERO)

    @property
    def unexplained(self) -> Decimal:
        """What is left: zero to the cent, or somebody has to look."""
        return self.balance - self.sum_known

    @property
    def is_explained(self) -> bool:
        """Whether nothing is left, and nothing is there that only a memo tells of."""
        return not self.unexplained and all(item.is_known for item in self.items)


@dataclass(frozen=True)
class Way:
    """An account that money passes through: how its items are found, and whether a person clears them against each other."""

    code: str
    find: Callable[[datetime.date], list[Item]]
    is_cleared_by_hand: bool = False


def _found(sql: str, **given: object) -> list[Item]:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM ({sql}) items ORDER BY 2, 1", given)  # type: ignore[arg-type] # noqa: S608
        return [Item(*row) for row in cursor.fetchall()]


def _on_the_way(code: str, *sources: str, methods: tuple[str, ...] = (), back: str = "") -> Callable[[datetime.date], list[Item]]:
    sql = " UNION ALL ".join([*sources, OTHER])
    return lambda on: _found(sql, on=on, account=code, methods=list(methods), back=back)


def _to_clear(code: str) -> Callable[[datetime.date], list[Item]]:
    return lambda on: _found(TO_CLEAR, on=on, account=code)


WAYS: dict[str, Way] = {
    way.code: way
    for way in (
        Way(
            chart.UNDEPOSITED,
            _on_the_way(chart.UNDEPOSITED, ON_THE_WAY, PAID_BACK, COUNTED, methods=("cash", "cheque"), back="cash"),
        ),
        Way(chart.CARDS_ON_THE_WAY, _on_the_way(chart.CARDS_ON_THE_WAY, CARDS, PAID_BACK, back="card")),
        Way(chart.DEBITS_ON_THE_WAY, _on_the_way(chart.DEBITS_ON_THE_WAY, ON_THE_WAY, methods=("debit",))),
        Way(chart.TO_CLEAR, _to_clear(chart.TO_CLEAR), is_cleared_by_hand=True),
        Way(chart.FLEET_TO_CLEAR, _to_clear(chart.FLEET_TO_CLEAR), is_cleared_by_hand=True),
    )
}
BY_HAND = tuple(code for code, way in WAYS.items() if way.is_cleared_by_hand)


def explain(code: str, on: datetime.date) -> Explained:
    """Explain one account at the end of a day. Raises KeyError for an account that money does not only pass through."""
    way, account = WAYS[code], Account.objects.get(pk=code)
    return Explained(code, account.name, on, list_balances(on).get(code, ZERO), way.find(on))


def explain_all(on: datetime.date) -> list[Explained]:
    """Explain all of them."""
    names, balances = dict(Account.objects.values_list("code", "name")), list_balances(on)
    return [Explained(code, names[code], on, balances.get(code, ZERO), way.find(on)) for code, way in WAYS.items()]
