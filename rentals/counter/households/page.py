"""What a household's page shows, read in a few queries however much there is."""

import datetime
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from urllib.parse import urlencode

from django.contrib.postgres.expressions import ArraySubquery
from django.db import connection
from django.db.models import DecimalField, Exists, ExpressionWrapper, F, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import JSONObject

from billing import on_account, payers
from billing import queries as billing
from billing.models import Adjustment
from rentals.agreements.models import Agreement, AgreementHold, AgreementUnit, PayerShare, PeriodTerms, TaxExemption, UnitPromise
from rentals.agreements.moves import State
from rentals.counter.life import panel
from rentals.documents import queries as documents
from rentals.documents.models import Document, OutboxMessage
from rentals.families.models import Guardian, Household, Student
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day
from rentals.staff.models import User


@dataclass(frozen=True)
class AgreementLine:
    """One agreement as the page shows it. `credit` is what rent has built up toward owning; `monthly` is before tax, by now.

    `short` is what a purchase counted on that proved unpaid.
    """

    agreement: Agreement
    units: list[dict[str, Any]]
    word: str
    tone: str
    credit: Decimal
    monthly: Decimal
    short: Decimal = ZERO


@dataclass(frozen=True)
class BalanceWord:
    """A balance as a word and an amount: never a sign or a colour alone."""

    word: str
    tone: str
    amount: Decimal


@dataclass(frozen=True)
class AccountLine:
    """One line of the account, charged or paid, with the balance after it."""

    on: datetime.date
    memo: str
    charged: Decimal | None
    paid: Decimal | None
    balance: Decimal


@dataclass(frozen=True)
class PaymentLine:
    """A payment with the charges it paid, each as a phrase and an amount."""

    payment: on_account.PaymentOnAccount
    paid_for: list[tuple[str, Decimal]]


@dataclass(frozen=True)
class PayerLine:
    """What one payer was charged and has paid; `address` asks for his statement of the last twelve months."""

    guardian_id: int | None
    name: str
    charged: Decimal
    paid: Decimal
    balance: Decimal
    address: str


@dataclass(frozen=True)
class CreditLine:
    """A credit note with the charges it pays, each as a phrase and an amount."""

    note: on_account.CreditNoteOnAccount
    paid_for: list[tuple[str, Decimal]]


@dataclass(frozen=True)
class Event:
    """One thing that happened."""

    at: datetime.date
    text: str
    note: str
    who: str


GUARDIAN_ROW = ("id", "given_name", "family_name", "phone", "email", "is_primary", "news_by", "reminders", "mail_failed_at")


def get_household(household_id: int) -> Household:
    """Return a household with `guardian_rows` and `student_rows` (lists of dicts).

    Also with `shares_payments`, `waits_for_approval` (whether an adjustment does) and `exempt_until` (the last day on which it
    buys without sales tax, or None). Raises Household.DoesNotExist.
    """
    guardians = Guardian.objects.filter(household=OuterRef("pk")).order_by("-is_primary", "pk")
    students = Student.objects.filter(household=OuterRef("pk")).order_by("pk")
    return Household.objects.annotate(
        guardian_rows=ArraySubquery(guardians.values(row=_json(*GUARDIAN_ROW))),
        student_rows=ArraySubquery(
            students.values(
                row=_json("id", "given_name", "family_name", "grade", kind="programme__kind", school="programme__school__name")
            )
        ),
        shares_payments=Exists(PayerShare.objects.filter(agreement__household=OuterRef("pk"))),
        waits_for_approval=Exists(Adjustment.objects.filter(household=OuterRef("pk"), state=Adjustment.State.ASKED)),
        exempt_until=Subquery(
            TaxExemption.objects.filter(household=OuterRef("pk")).order_by("-expires_on").values("expires_on")[:1]
        ),
    ).get(pk=household_id)


def _json(*names: str, **renamed: str) -> JSONObject:
    return JSONObject(**{name: F(name) for name in names}, **{name: F(path) for name, path in renamed.items()})


def list_agreements(household_id: int, credit: dict[int, billing.RentalCredit]) -> list[AgreementLine]:
    """List a household's agreements, running ones first, each with its instruments; one query."""
    units = AgreementUnit.objects.filter(agreement=OuterRef("pk")).order_by("role", "-began_at")
    unit = _json("role", "ended_at", "instrument_id", tag="instrument__asset_tag")
    rows = (
        Agreement.objects.filter(household=household_id)
        .select_related("student", "item__kind")
        .annotate(
            unit_rows=ArraySubquery(units.values(row=unit)),
            monthly=Subquery(_terms("rent")) + Subquery(_terms("protection")),
            waits=Exists(UnitPromise.objects.filter(agreement=OuterRef("pk"), settled_at=None)),
            hold=Subquery(AgreementHold.objects.filter(agreement=OuterRef("pk"), until_on=None).values("kind")[:1]),
        )
        .order_by(F("ended_on").desc(nulls_first=True), "-starts_on", "-pk")
    )
    lines = []
    for row in rows:
        here = [unit for unit in row.unit_rows if not unit["ended_at"]] or row.unit_rows[:1]
        built_up = credit[row.pk].credit if row.pk in credit else ZERO
        state = panel.status_of(State({"hold": "on_hold", "recall": "recalled", None: "running"}[row.hold]))
        word, tone = (state["word"], state["tone"]) if row.is_open else (row.get_end_reason_display(), "quiet")
        lines.append(AgreementLine(row, here, word, tone, built_up, row.monthly, _short(credit, row.pk)))
    return lines


def _short(credit: dict[int, billing.RentalCredit], key: int) -> Decimal:
    return credit[key].short if key in credit else ZERO


def _terms(column: str) -> QuerySet[Any]:
    """One month of what an agreement bills by the terms that come last."""
    last = PeriodTerms.objects.filter(agreement=OuterRef("pk"), superseded_at=None).order_by("-first_period")
    month = ExpressionWrapper(F(column) / F("months"), output_field=DecimalField(max_digits=12, decimal_places=2))
    return last.values(month=month)[:1]


def list_account_lines(account: on_account.HouseholdAccount) -> list[AccountLine]:
    """Write the account's movements into two columns, newest first."""
    return [
        AccountLine(
            on=each.entry_on,
            memo=each.memo,
            charged=each.amount if each.amount > 0 else None,
            paid=-each.amount if each.amount < 0 else None,
            balance=each.balance,
        )
        for each in account.movements
    ]


def list_payments(account: on_account.HouseholdAccount) -> list[PaymentLine]:
    """Say which charges each payment paid, tax and protection counted to their charge."""
    titles = {charge.id: charge.title for charge in account.charges}
    return [PaymentLine(payment, _paid_for(payment.allocations, titles)) for payment in account.payments]


def list_credit_notes(account: on_account.HouseholdAccount) -> list[CreditLine]:
    """Say which charges each credit note pays."""
    titles = {charge.id: charge.title for charge in account.charges}
    return [CreditLine(note, _paid_for(note.allocations, titles)) for note in account.credit_notes]


def list_payers(household_id: int, *, today: datetime.date) -> list[PayerLine]:
    """List what each guardian who shares was charged and has paid; empty where nothing is shared."""
    days = {"begins_on": f"{today - datetime.timedelta(days=365):%m/%d/%Y}", "through_on": f"{today:%m/%d/%Y}"}
    return [
        PayerLine(
            each.guardian_id,
            each.name,
            each.charged,
            each.paid,
            each.balance,
            urlencode({**days, "payer": each.guardian_id or ""}),
        )
        for each in payers.list_payers(household_id)
    ]


def _paid_for(parts: Iterable[on_account.AllocationOnAccount], titles: dict[int, str]) -> list[tuple[str, Decimal]]:
    paid: dict[tuple[int, datetime.date], Decimal] = {}
    for part in parts:
        paid[part.charge_id, part.due_on] = paid.get((part.charge_id, part.due_on), ZERO) + part.amount
    return [(f"{titles.get(key, '')} due {day(due_on)}", amount) for (key, due_on), amount in paid.items()]


def put_into_words(balance: Decimal, overdue: Decimal = ZERO) -> BalanceWord:
    """Say what a balance means: owing, past due, on account, or nothing."""
    if overdue > 0:
        return BalanceWord("Past due", "bad", balance)
    if balance > 0:
        return BalanceWord("Owing", "warn", balance)
    if balance < 0:
        return BalanceWord("On account", "info", -balance)
    return BalanceWord("Nothing owed", "good", ZERO)


def list_household_documents(household_id: int, user: User) -> QuerySet[Document]:
    """List the documents about a household and its agreements that this person may open, newest first, without their bytes."""
    agreements = list(Agreement.objects.filter(household=household_id).values_list("pk", flat=True))
    abouts = [f"household/{household_id}", *(f"agreement/{pk}" for pk in agreements)]
    rows = documents.list_visible_documents(user=user).filter(Q(about__in=abouts) | Q(messages__household=household_id))
    return rows.distinct().defer("content", "payload").order_by("-asked_at", "-id")


def list_household_messages(household_id: int) -> QuerySet[OutboxMessage]:
    """List the mails and letters to a household, newest first, without their bodies."""
    return OutboxMessage.objects.filter(household=household_id).defer("body").order_by("-queued_at", "-id")


# One statement over what is kept anyway: the audit trail's rows and the facts themselves.
TIMELINE = """
SELECT e.at, e.text, e.note, coalesce(u.name, '') FROM (
    SELECT at, CASE label WHEN 'insert' THEN 'Written down' ELSE 'Name, address or notes changed' END AS text, '' AS note, who
    FROM (SELECT pgh_created_at AS at, pgh_label AS label, fields, lag(fields) OVER (ORDER BY pgh_id) AS before,
                 (SELECT c.metadata ->> 'user' FROM pghistory_context AS c WHERE c.id = pgh_context_id) AS who
          FROM families_householdevent,
               LATERAL (SELECT (name, street, unit, city, state, postal_code, language, notes)::text AS fields) AS f
          WHERE pgh_obj_id = %(household)s) AS h
    WHERE before IS DISTINCT FROM fields
  UNION ALL
    SELECT pgh_created_at, CASE pgh_label WHEN 'insert' THEN 'Guardian added' ELSE 'Guardian changed' END,
           given_name || ' ' || family_name,
           (SELECT c.metadata ->> 'user' FROM pghistory_context AS c WHERE c.id = pgh_context_id)
    FROM families_guardianevent WHERE household_id = %(household)s
  UNION ALL
    SELECT pgh_created_at, CASE pgh_label WHEN 'insert' THEN 'Student added' ELSE 'Student changed' END,
           given_name || ' ' || family_name,
           (SELECT c.metadata ->> 'user' FROM pghistory_context AS c WHERE c.id = pgh_context_id)
    FROM families_studentevent WHERE household_id = %(household)s
  UNION ALL
    SELECT c.given_at, 'Consent to electronic records', g.given_name || ' ' || g.family_name, c.taken_by_id::text
    FROM families_consent AS c JOIN families_guardian AS g ON g.id = c.guardian_id WHERE g.household_id = %(household)s
  UNION ALL
    SELECT signed_at, 'Agreement signed', number, signed_by_id::text
    FROM agreements_agreement WHERE household_id = %(household)s
  UNION ALL
    SELECT c.began_at, 'Instrument with the family', i.asset_tag || ': ' || c.reason, c.moved_by_id::text
    FROM inventory_custody AS c JOIN inventory_instrument AS i ON i.id = c.instrument_id WHERE c.household_id = %(household)s
  UNION ALL
    SELECT c.ended_at, 'Instrument left the family', i.asset_tag, NULL
    FROM inventory_custody AS c JOIN inventory_instrument AS i ON i.id = c.instrument_id
    WHERE c.household_id = %(household)s AND c.ended_at IS NOT NULL
  UNION ALL
    SELECT taken_at, 'Payment taken', number, taken_by_id::text FROM billing_payment WHERE household_id = %(household)s
  UNION ALL
    SELECT r.made_at, CASE r.kind WHEN 'mistake' THEN 'Payment voided' WHEN 'file' THEN 'Debit not made'
           ELSE 'Payment returned' END,
           p.number || ': ' || r.reason, r.made_by_id::text
    FROM billing_paymentreturn AS r JOIN billing_payment AS p ON p.id IN (r.payment_id, r.undone_payment_id)
    WHERE p.household_id = %(household)s
  UNION ALL
    SELECT r.undone_at, 'Return undone', p.number || ' stands again', r.undone_by_id::text
    FROM billing_paymentreturn AS r JOIN billing_payment AS p ON p.id = r.undone_payment_id WHERE p.household_id = %(household)s
  UNION ALL
    SELECT made_at, CASE kind WHEN 'write_off' THEN 'Written off' ELSE 'Credit given' END, number || ': ' || reason,
           made_by_id::text
    FROM billing_creditnote WHERE household_id = %(household)s
  UNION ALL
    SELECT r.made_at, 'Money paid back', r.reason, r.made_by_id::text
    FROM billing_refund AS r JOIN billing_charge AS c ON c.id = r.charge_id WHERE c.household_id = %(household)s
  UNION ALL
    SELECT recorded_at, 'Tax exemption written down', certificate_number, recorded_by_id::text
    FROM agreements_taxexemption WHERE household_id = %(household)s
) AS e LEFT JOIN staff_user AS u ON u.id = e.who::bigint
ORDER BY e.at DESC, e.text LIMIT %(most)s
"""


def list_events(household_id: int, most: int = 200) -> list[Event]:
    """List what happened to a household, newest first, at most `most` things; one query."""
    with connection.cursor() as cursor:
        cursor.execute(TIMELINE, {"household": household_id, "most": most})
        return [Event(*row) for row in cursor.fetchall()]
