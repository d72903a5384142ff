"""Split payers: what each of two guardians owes of what an agreement costs, and has paid.

Every charge is split by the weights in force on its due day, cent by cent with the largest remainder, so that the parts add up.
What belongs to nobody alone (goods without an agreement, a payment nobody was named for) stands under the household itself.
"""

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Exists, OuterRef, QuerySet

from billing.accounts import AccountRow, list_account_rows
from rentals.agreements.models import PayerShare
from rentals.families.models import Guardian, Household
from rentals.runtime.money import ZERO, split_by_weights

Parts = dict[int | None, Decimal]
"""Guardian -> amount; None is the household itself."""


@dataclass(frozen=True)
class Payer:
    """What one guardian, or the household itself (`guardian_id` None), was charged and has paid; `balance` is what is owed."""

    guardian_id: int | None
    name: str
    charged: Decimal
    paid: Decimal

    @property
    def balance(self) -> Decimal:
        """Charged less paid."""
        return self.charged - self.paid


def list_sharing(household_id: int) -> QuerySet[Guardian]:
    """List the guardians of a household who share an agreement, now or before, in the order they were written down."""
    shared = PayerShare.objects.filter(agreement__household=household_id).values("guardian")
    return Guardian.objects.filter(household=household_id, pk__in=shared).order_by("pk")


def sharing_of(household: Household) -> QuerySet[Guardian] | None:
    """Return who shares in a household, None where nobody does. Costs nothing where the row was read with `with_sharing`."""
    known = getattr(household, "shares_payments", None)
    sharing = list_sharing(household.pk)
    return sharing if (sharing.exists() if known is None else known) else None


def with_sharing(households: QuerySet[Household]) -> QuerySet[Household]:
    """Let these rows know, as `shares_payments`, whether guardians share an agreement."""
    return households.annotate(shares_payments=Exists(PayerShare.objects.filter(agreement__household=OuterRef("pk"))))


def split_row(row: AccountRow, shares: Sequence[PayerShare]) -> Parts:
    """Split one row of an account: money goes to who paid it, a charge or a credit by the weights of its agreement on its day.

    The parts add up to the row's amount.
    """
    if row.is_money:
        return {row.paid_by_id: row.amount}
    weights = weights_on(shares, row.agreement_id, row.shared_on)
    if not weights:
        return {None: row.amount}
    sign = -1 if row.amount < 0 else 1
    parts = split_by_weights(abs(row.amount), [weight for _, weight in weights])
    return {guardian: sign * part for (guardian, _), part in zip(weights, parts, strict=True)}


def weights_on(shares: Iterable[PayerShare], agreement_id: int | None, day: datetime.date) -> list[tuple[int, int]]:
    """Return guardian and weight of an agreement's shares in force on a day, in the order of the guardians."""
    return sorted(
        (share.guardian_id, share.weight)
        for share in shares
        if share.agreement_id == agreement_id and share.from_on <= day and (share.until_on is None or day < share.until_on)
    )


def list_shares(household_id: int) -> list[PayerShare]:
    """List all shares that ever were in force in a household."""
    return list(PayerShare.objects.filter(agreement__household=household_id))


def list_payers(household_id: int, *, rows: Sequence[AccountRow] | None = None) -> list[Payer]:
    """List what each guardian who shares was charged and has paid, and last what belongs to nobody alone.

    Empty where nothing is shared. The balances add up to what the household owes.
    """
    sharing = list(list_sharing(household_id))
    if not sharing:
        return []
    shares = list_shares(household_id)
    charged: Parts = {}
    paid: Parts = {}
    for row in list_account_rows(household_id) if rows is None else rows:
        side = paid if row.is_money else charged
        for guardian_id, part in split_row(row, shares).items():
            side[guardian_id] = side.get(guardian_id, ZERO) + (-part if row.is_money else part)
    payers = [Payer(one.pk, str(one), charged.pop(one.pk, ZERO), paid.pop(one.pk, ZERO)) for one in sharing]
    rest = Payer(None, "Not shared", sum(charged.values(), ZERO), sum(paid.values(), ZERO))
    return [*payers, rest] if rest.charged or rest.paid else payers
