"""The books as a bookkeeper reads them: the trial balance, the journal's entries, what stands out on the first page."""

import datetime
from dataclasses import dataclass
from decimal import Decimal

from django.db import connection
from django.db.models import Count, QuerySet, Sum

from billing import allocation, chart, queries
from billing.models import Account, JournalEntry, Posting
from rentals.runtime.money import ZERO
from rentals.staff.models import NumberSeries

ON_ACCOUNT = "Families’ money on account"
"""How the part of the control account that is owed to families is called in a balance."""

# Closed months by their totals, what was posted after them entry by entry: %(from)s is the first day after these months.
LAST_CLOSED = """
SELECT coalesce((max(first_day) + interval '1 month')::date, '-infinity')::text
  FROM billing_closedmonth WHERE first_day + interval '1 month' <= %(on)s::date + 1
"""
TRIAL_BALANCE = """
SELECT a.code, a.name, a.kind, coalesce(t.amount, 0) + coalesce(p.amount, 0)
  FROM billing_account a
  LEFT JOIN (SELECT account_id, sum(amount) AS amount FROM billing_monthtotal WHERE month_id < %(from)s::date
              GROUP BY account_id) t ON t.account_id = a.code
  LEFT JOIN (SELECT p.account_id, sum(p.amount) AS amount
               FROM billing_journalentry e JOIN billing_posting p ON p.entry_id = e.id
              WHERE e.entry_on BETWEEN %(from)s::date AND %(on)s::date GROUP BY p.account_id) p ON p.account_id = a.code
 ORDER BY a.code
"""


@dataclass(frozen=True)
class AccountBalance:
    """An account at the end of a day; one of debit and credit is None, or both when it is even."""

    code: str
    name: str
    kind: str
    balance: Decimal

    @property
    def debit(self) -> Decimal | None:
        """The balance when it is one of debit."""
        return self.balance if self.balance > 0 else None

    @property
    def credit(self) -> Decimal | None:
        """The balance when it is one of credit."""
        return -self.balance if self.balance < 0 else None


@dataclass(frozen=True)
class Receivables:
    """The control account taken apart by household: what families owe, and what others have on account (both positive)."""

    owed: Decimal
    on_account: Decimal

    @property
    def control(self) -> Decimal:
        """What stands on the account itself."""
        return self.owed - self.on_account


SPLIT = """
SELECT coalesce(sum(balance) FILTER (WHERE balance > 0), 0), coalesce(-sum(balance) FILTER (WHERE balance < 0), 0) FROM (
    SELECT sum(p.amount) AS balance FROM billing_posting p JOIN billing_journalentry e ON e.id = p.entry_id
     WHERE p.account_id = %(receivables)s AND e.entry_on <= coalesce(%(on)s::date, 'infinity'::date)
     GROUP BY p.household_id) households
"""


def split_receivables(on: datetime.date | None = None) -> Receivables:
    """Take what families owe apart by household at the end of a day, or of everything: money on account is owed to them."""
    with connection.cursor() as cursor:
        cursor.execute(SPLIT, {"receivables": chart.RECEIVABLES, "on": on})
        return Receivables(*cursor.fetchone())


def list_trial_balance(on: datetime.date) -> list[AccountBalance]:
    """List every account with its balance at the end of a day.

    What families have on account is a liability of its own line after what others owe; both together are the control account.
    """
    with connection.cursor() as cursor:
        cursor.execute(LAST_CLOSED, {"on": on})
        cursor.execute(TRIAL_BALANCE, {"on": on, "from": cursor.fetchone()[0]})
        rows = cursor.fetchall()
    balances = [AccountBalance(code, name, str(Account.Kind(kind).label), balance) for code, name, kind, balance in rows]
    place = next((i for i, row in enumerate(balances) if row.code == chart.RECEIVABLES), None)
    if place is None:
        return balances
    control, split = balances[place], split_receivables(on)
    owed = AccountBalance(control.code, control.name, control.kind, control.balance + split.on_account)
    held = AccountBalance(control.code, ON_ACCOUNT, str(Account.Kind.LIABILITY.label), -split.on_account)
    return [*balances[:place], owed, held, *balances[place + 1 :]]


def list_entries(
    *,
    begins_on: datetime.date | None,
    through_on: datetime.date | None,
    kind: str = "",
    account: str = "",
    household: str = "",
    text: str = "",
) -> QuerySet[JournalEntry]:
    """List entries with their postings, newest first; both days are included. An empty filter lets everything pass."""
    rows = JournalEntry.objects.order_by("-entry_on", "-id")
    if begins_on:
        rows = rows.filter(entry_on__gte=begins_on)
    if through_on:
        rows = rows.filter(entry_on__lte=through_on)
    if kind:
        rows = rows.filter(kind=kind)
    if account:
        rows = rows.filter(pk__in=Posting.objects.filter(account_id=account).values("entry_id"))
    if household:
        rows = rows.filter(pk__in=Posting.objects.filter(household__number__iexact=household).values("entry_id"))
    if text:
        rows = rows.filter(memo__icontains=text)
    return rows


@dataclass(frozen=True)
class OnHand:
    """Cash and checks that wait for a deposit."""

    count: int
    amount: Decimal


def sum_on_hand() -> OnHand:
    """Count and add up what waits for a deposit."""
    found = queries.list_undeposited().order_by().aggregate(count=Count("pk"), sum=Sum("amount"))
    return OnHand(found["count"], found["sum"] or ZERO)


IN_CREDIT = """
SELECT p.household_id FROM billing_posting p WHERE p.account_id = %(receivables)s
 GROUP BY p.household_id HAVING sum(p.amount) < 0
"""
CREDIT_BALANCES = f"""
SELECT h.id, h.number, h.name, coalesce(sum(u.unused) FILTER (WHERE u.payment_id IS NOT NULL), 0.00),
       coalesce(sum(u.unused) FILTER (WHERE u.credit_note_id IS NOT NULL), 0.00), min(coalesce(p.received_on, n.credited_on))
  FROM ({allocation.UNUSED_MONEY}) u JOIN families_household h ON h.id = u.household_id
  LEFT JOIN billing_payment p ON p.id = u.payment_id LEFT JOIN billing_creditnote n ON n.id = u.credit_note_id
 GROUP BY h.id ORDER BY 6, h.id
"""  # noqa: S608 - no part of it comes from outside


@dataclass(frozen=True)
class CreditBalance:
    """A household that has more than it owes: what it paid in, what the office credited, since which day and for how long."""

    household_id: int
    number: str
    name: str
    paid_in: Decimal
    credited: Decimal
    since: datetime.date
    days: int

    @property
    def amount(self) -> Decimal:
        """All that is on account."""
        return self.paid_in + self.credited


def list_credit_balances(*, today: datetime.date) -> list[CreditBalance]:
    """List the households with money on account, the oldest first."""
    with connection.cursor() as cursor:
        cursor.execute(IN_CREDIT, {"receivables": chart.RECEIVABLES})
        households = [row[0] for row in cursor.fetchall()]
        cursor.execute(CREDIT_BALANCES, {"households": households})
        rows = cursor.fetchall()
    return [
        CreditBalance(key, number, name, paid_in, credited, since, (today - since).days)
        for key, number, name, paid_in, credited, since in rows
    ]


SERIES = {
    "payment": ("Payments", "P", "billing_payment"),
    "deposit": ("Deposits", "D", "billing_deposit"),
    "credit_note": ("Credit notes", "C", "billing_creditnote"),
}
GAPS = """
SELECT before + 1, number - 1 FROM (
    SELECT number, coalesce(lag(number) OVER (ORDER BY number), 0) AS before FROM (
        SELECT substr(number, 3)::bigint AS number FROM {table} WHERE number LIKE %(pattern)s
         UNION ALL SELECT %(last)s + 1) given) pairs
 WHERE number > before + 1 ORDER BY 1
"""


@dataclass(frozen=True)
class Series:
    """A series of numbers: the last one given out, how many are in use, and each gap as words."""

    label: str
    last: str
    in_use: int
    gaps: tuple[str, ...]


def list_series() -> list[Series]:
    """List the series of the books with what is missing in each: nothing, while all is well."""
    given = dict(NumberSeries.objects.values_list("name", "last_number"))
    found = []
    for name, (label, prefix, table) in SERIES.items():
        last = given.get(name, 0)
        with connection.cursor() as cursor:
            cursor.execute(GAPS.format(table=table), {"pattern": f"{prefix}-%", "last": last})
            gaps = cursor.fetchall()
        missing = sum(until - begin + 1 for begin, until in gaps)
        words = tuple(f"{prefix}-{begin:06}" + (f" to {prefix}-{until:06}" if until > begin else "") for begin, until in gaps)
        found.append(Series(label, f"{prefix}-{last:06}" if last else "", last - missing, words))
    return found


TAKEN_BACK = """
SELECT e.entry_on, x.what, x.number, h.id, h.name, h.number, x.amount, e.memo, coalesce(u.name, '') FROM (
    SELECT r.entry_id, CASE r.kind WHEN 'mistake' THEN 'Payment voided' WHEN 'file' THEN 'Debit not made, file refused'
                ELSE 'Payment returned' END || CASE WHEN r.undone_at IS NULL THEN '' ELSE ', undone since' END AS what, p.number,
           p.household_id, p.amount
      FROM billing_paymentreturn r JOIN billing_payment p ON p.id IN (r.payment_id, r.undone_payment_id)
  UNION ALL
    SELECT n.void_entry_id, 'Credit note voided', n.number, n.household_id, n.amount
      FROM billing_creditnote n WHERE n.void_entry_id IS NOT NULL
  UNION ALL
    SELECT c.void_entry_id, 'Charge voided', 'charge ' || c.id, c.household_id,
           (SELECT sum(l.amount) FROM billing_chargeline l WHERE l.charge_id = c.id)
      FROM billing_charge c WHERE c.void_entry_id IS NOT NULL) x
  JOIN billing_journalentry e ON e.id = x.entry_id JOIN families_household h ON h.id = x.household_id
  LEFT JOIN staff_user u ON u.id = e.made_by_id
 WHERE e.entry_on BETWEEN %(begins)s AND %(through)s ORDER BY e.entry_on DESC, e.id DESC LIMIT 500
"""


@dataclass(frozen=True)
class TakenBack:
    """Something that was voided, or a payment that came back, with why and by whom."""

    on: datetime.date
    what: str
    number: str
    household_id: int
    household_name: str
    household_number: str
    amount: Decimal
    memo: str
    who: str

    @property
    def reason(self) -> str:
        """Why, out of the entry's words."""
        return self.memo.partition(" undone: ")[2] or self.memo.partition(": ")[2]


def list_taken_back(*, begins_on: datetime.date, through_on: datetime.date) -> list[TakenBack]:
    """List what was taken back from a day through another (both included), newest first, at most 500."""
    with connection.cursor() as cursor:
        cursor.execute(TAKEN_BACK, {"begins": begins_on, "through": through_on})
        return [TakenBack(*row) for row in cursor.fetchall()]
