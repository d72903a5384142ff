"""The ledger: accounts, append-only entries and their postings, closed months. Only `billing.ledger` writes here.

What entries, postings, charges and their lines name is held by triggers, a statement at a time (`db_constraint=False`): a key
that asks row by row took more than half of the monthly run. The database refuses all the same what names nothing.
"""

from decimal import Decimal
from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import Q


def amount_field(**options: Any) -> "models.DecimalField[Any, Any]":
    """An amount inside the books: a numeric with cents, in the office's currency."""
    return models.DecimalField(max_digits=14, decimal_places=2, **options)


BILLED = ("1200", "2100", "4000", "4100")
"""Accounts that every bill of the monthly run posts to: so common that looking a posting up by them would help nobody."""


class Account(models.Model):
    """One account of the chart. Debits are positive, credits negative."""

    class Kind(models.TextChoices):
        ASSET = "asset", "Asset"
        LIABILITY = "liability", "Liability"
        EQUITY = "equity", "Equity"
        INCOME = "income", "Income"
        EXPENSE = "expense", "Expense"

    code = models.CharField(max_length=10, primary_key=True)
    name = models.CharField(max_length=80, unique=True)
    kind = models.CharField(max_length=10, choices=Kind.choices)
    is_receivable = models.BooleanField(default=False, help_text="The control account of what families owe.")
    is_bank = models.BooleanField(default=False, db_default=False, help_text="It stands for an account at a bank.")

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(fields=["is_receivable"], condition=Q(is_receivable=True), name="account_one_receivable"),
            models.CheckConstraint(condition=Q(is_bank=False) | Q(kind="asset"), name="account_at_a_bank_is_an_asset"),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class JournalEntry(models.Model):
    """One balanced fact of money. Never changed, never deleted; undone by an entry that names it."""

    class Kind(models.TextChoices):
        CHARGE = "charge", "Charge"
        PAYMENT = "payment", "Payment"
        RETURNED_PAYMENT = "returned_payment", "Returned payment"
        DEPOSIT = "deposit", "Deposit"
        BANK = "bank", "Bank"
        FLEET = "fleet", "Fleet"
        DEPRECIATION = "depreciation", "Depreciation"
        ADJUSTMENT = "adjustment", "Adjustment"
        REVERSAL = "reversal", "Reversal"

    entry_on = models.DateField(db_index=True)
    kind = models.CharField(max_length=20, choices=Kind.choices)
    memo = models.CharField(max_length=200)
    source = models.CharField(max_length=80, help_text="What it records, once: charge/1042, payment/77.")
    currency = models.CharField(max_length=3, default=settings.CURRENCY)
    reverses = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="reversed_by", db_constraint=False)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+", db_index=False, db_constraint=False)

    class Meta:
        verbose_name_plural = "journal entries"
        constraints = [
            models.UniqueConstraint(fields=["source"], name="entry_source_once"),
            models.CheckConstraint(
                condition=Q(kind="reversal", reverses__isnull=False) | (~Q(kind="reversal") & Q(reverses=None)),
                name="entry_reversal_names_another",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.entry_on} {self.memo}"


class Posting(models.Model):
    """One side of an entry: an amount on an account, debit positive. A receivable always names its household."""

    entry = models.ForeignKey(JournalEntry, on_delete=models.PROTECT, related_name="postings", db_constraint=False)
    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="postings", db_index=False, db_constraint=False)
    household = models.ForeignKey(
        "families.Household",
        on_delete=models.PROTECT,
        null=True,
        related_name="postings",
        db_index=False,
        db_constraint=False,
    )
    amount = amount_field()

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(amount=0), name="posting_not_zero")]
        indexes = [
            models.Index(fields=["household", "account"], condition=Q(household__isnull=False), name="posting_household"),
            models.Index(
                fields=["account"],
                condition=~Q(account=BILLED[0]) & ~Q(account=BILLED[1]) & ~Q(account=BILLED[2]) & ~Q(account=BILLED[3]),
                name="posting_account_seldom",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.account_id} {self.amount}"

    @property
    def credit(self) -> Decimal:
        """The amount of a credit, as it stands in its column."""
        amount: Decimal = self.amount
        return -amount


class ClosedMonth(models.Model):
    """A month whose books are closed: nothing is posted into it any more."""

    first_day = models.DateField(primary_key=True)
    closed_at = models.DateTimeField()
    closed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    entry_count = models.PositiveIntegerField(default=0, help_text="Entries of the month when it was closed.")
    debits = amount_field(default=0, help_text="What was debited in the month when it was closed.")

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(first_day__day=1), name="closed_month_begins_on_the_first")]

    def __str__(self) -> str:
        return f"{self.first_day:%Y-%m}"
