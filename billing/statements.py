"""The statement of a household: what was billed and paid in a time, what is open, what rent has built up, what comes next.

Its figures are the ledger's. One guardian's statement shows his part of each bill and his own payments.
"""

import datetime
import hashlib
import json
from collections.abc import Iterable, Iterator
from decimal import Decimal

from django.db import connection, transaction
from django.db.models import Max
from django.utils import translation
from django.utils.translation import gettext

from billing import allocation, payers
from billing.accounts import AccountRow, list_account_rows, title_of
from billing.charges import list_unbilled
from billing.models import Charge
from billing.rental_credit import sum_rental_credits
from rentals.agreements import life, periods
from rentals.agreements import queries as terms
from rentals.agreements.models import Agreement
from rentals.documents import operations as documents
from rentals.documents.codec import to_payload
from rentals.documents.models import Document
from rentals.documents.pages import PriceLine, StatementCredit, StatementItem, StatementPage, StatementRow
from rentals.documents.wording.operations import word_letter
from rentals.documents.words import in_language
from rentals.families.letters import receiver_of
from rentals.families.models import Guardian, Household
from rentals.runtime.money import ZERO, tax_on
from rentals.runtime.templatetags.office import money as written


def make_statement(
    household: Household,
    *,
    begins_on: datetime.date,
    through_on: datetime.date,
    today: datetime.date,
    payer: Guardian | None = None,
) -> StatementPage:
    """Return a household's statement of the days from `begins_on` through `through_on`, both included; for one payer his part.

    The last balance is what the ledger says at the end of the last day.
    """
    rows = list_account_rows(household.pk, through_on=through_on)
    counted = list(_parts(household, rows, payer))
    opening = sum((amount for row, amount in counted if row.on < begins_on), ZERO)
    shown = _shown([(row, amount) for row, amount in counted if row.on >= begins_on], opening, of_payer=payer is not None)
    addressee = receiver_of(household).addressee
    return StatementPage(
        addressee=addressee,
        dated_on=today,
        begins_on=begins_on,
        through_on=through_on,
        opening=opening,
        rows=shown,
        closing=opening + sum((amount for row, amount in counted if row.on >= begins_on), ZERO),
        open_items=() if payer else list_open_items(household.pk),
        credits=() if payer else _credits(household, today),
        next_due=() if payer else list_next_due(household.pk, today=today),
        payer=str(payer) if payer else "",
    )


def _parts(household: Household, rows: Iterable[AccountRow], payer: Guardian | None) -> Iterator[tuple[AccountRow, Decimal]]:
    """Yield each row with what of it counts: all of it, or one payer's part where he has one."""
    shares = payers.list_shares(household.pk) if payer else []
    for row in rows:
        amount = row.amount if payer is None else payers.split_row(row, shares).get(payer.pk, ZERO)
        if amount:
            yield row, amount


def _shown(counted: Iterable[tuple[AccountRow, Decimal]], opening: Decimal, *, of_payer: bool) -> tuple[StatementRow, ...]:
    balance, shown = opening, []
    for row, amount in counted:
        balance += amount
        what, lines = row.what, tuple(PriceLine(words, part) for words, part in row.lines)
        if of_payer and amount != row.amount:
            what, lines = gettext("%(what)s: share of %(whole)s") % {"what": what, "whole": written(abs(row.amount))}, ()
        if len(lines) == 1:
            lines = ()
        shown.append(
            StatementRow(
                on=row.on,
                what=what,
                lines=lines,
                charged=amount if amount > 0 else None,
                credited=-amount if amount < 0 else None,
                balance=balance,
            )
        )
    return tuple(shown)


def list_open_items(household_id: int) -> tuple[StatementItem, ...]:
    """List what is billed and unpaid now, charge by charge, the oldest due day first."""
    sql = f"""SELECT l.charge_id, sum(x.open) FROM ({allocation.OPEN_LINES}) x JOIN billing_chargeline l ON l.id = x.id
               GROUP BY l.charge_id"""  # noqa: S608
    with connection.cursor() as cursor:
        cursor.execute(sql, {"households": [household_id]})
        open_amounts = dict(cursor.fetchall())
    charges = Charge.objects.filter(pk__in=open_amounts).select_related("agreement").prefetch_related("lines")
    return tuple(
        StatementItem(charge.due_on, title_of(charge), open_amounts[charge.pk]) for charge in charges.order_by("due_on", "pk")
    )


def list_next_due(household_id: int, *, today: datetime.date) -> tuple[StatementItem, ...]:
    """List the next bill of each agreement that runs and is not held, with the tax of today's rates, the earliest first."""
    items = []
    running = Agreement.objects.filter(household_id=household_id, ended_on=None).select_related("tax_area", "item__kind")
    for agreement in running.order_by("pk"):
        if life.get_open_hold(agreement) is None:
            coming = _next_period(agreement, today)
            words = f"{in_language(agreement.item.kind)}, {agreement.number}"
            items.append(StatementItem(coming.begins_on, words, _with_tax(agreement, coming)))
    return tuple(sorted(items, key=lambda item: item.due_on))


def _next_period(agreement: Agreement, today: datetime.date) -> periods.PeriodToBill:
    """Return the first period that is not billed yet."""
    for due in list_unbilled(agreement, through=today):
        return due
    segments = life.list_segments(agreement)
    last = Charge.objects.filter(agreement=agreement, kind=Charge.Kind.RENT).aggregate(last=Max("period"))["last"]
    begun = len(periods.periods_begun(segments, today))
    return periods.period_at(segments, begun if last is None else max(begun, last + 1))


def _with_tax(agreement: Agreement, period: periods.PeriodToBill) -> Decimal:
    rates = terms.get_household_tax_rates(agreement.household_id, agreement.tax_area, period.begins_on)
    tax = tax_on(period.rent, rates.get("rent", ZERO)) + tax_on(period.protection, rates.get("protection", ZERO))
    return period.rent + period.protection + tax


def _credits(household: Household, today: datetime.date) -> tuple[StatementCredit, ...]:
    agreements = Agreement.objects.filter(household=household, ended_on=None).select_related("item__kind", "plan_version")
    credit = sum_rental_credits(agreements, on=today)
    return tuple(
        StatementCredit(each.number, in_language(each.item.kind), credit[each.pk].credit, each.purchase_price.amount)
        for each in agreements.order_by("pk")
    )


@transaction.atomic
def ask_for_statement(
    *,
    household: Household,
    begins_on: datetime.date,
    through_on: datetime.date,
    today: datetime.date,
    now: datetime.datetime,
    payer: Guardian | None = None,
) -> Document:
    """Ask for a statement as a document. Asked again while nothing has changed, the first one is returned."""
    with translation.override(household.language):
        page = make_statement(household, begins_on=begins_on, through_on=through_on, today=today, payer=payer)
        title = gettext("Statement of %s") % household.number
    page, _words = word_letter("statement", household.language, page)
    content = json.dumps(to_payload(page), sort_keys=True, default=str)
    return documents.ask_for_document(
        key=f"household/{household.pk}/statement/{hashlib.sha256(content.encode()).hexdigest()[:32]}",
        kind="statement",
        about=f"household/{household.pk}",
        title=title,
        page=page,
        language=household.language,
        now=now,
    )
