"""The end of a month: bank accounts reconciled, items cleared, checks waived, what a month was closed with, and reopening it."""

import pghistory
from django.db import models
from django.db.models import F, Q

from billing.models.bank import BankAccount
from billing.models.ledger import Account, JournalEntry, amount_field
from rentals.documents.models import Document, hex_sha256


class Clearing(models.Model):
    """Postings of accounts that are to be cleared, set against each other; what was left of them went elsewhere by an entry.

    Undone, it counts for nothing from the end of that day on: its items are open again, and what it posted is posted back.
    """

    cleared_on = models.DateField(help_text="From the end of this day on they are not open any more.")
    note = models.CharField(max_length=200)
    entry = models.OneToOneField(
        JournalEntry, on_delete=models.PROTECT, null=True, related_name="clearing", help_text="None where they added up to zero."
    )
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    undone_on = models.DateField(null=True)
    undo_entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, null=True, related_name="clearing_undone")
    undone_why = models.CharField(max_length=200, blank=True, db_default="")
    undone_at = models.DateTimeField(null=True)
    undone_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(note=""), name="clearing_has_a_note"),
            models.CheckConstraint(
                condition=Q(undone_on=None, undo_entry=None, undone_why="", undone_at=None, undone_by=None)
                | (Q(undone_on__isnull=False, undone_at__isnull=False, undone_by__isnull=False) & ~Q(undone_why="")),
                name="clearing_undone_by_somebody_for_a_reason",
            ),
            models.CheckConstraint(
                condition=Q(undone_on=None)
                | Q(undone_on__gte=F("cleared_on"), entry=None, undo_entry=None)
                | Q(undone_on__gte=F("cleared_on"), entry__isnull=False, undo_entry__isnull=False),
                name="clearing_undone_with_its_entry",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.cleared_on}: {self.note}"


class ClearedItem(models.Model):
    """What an entry posted to one account, cleared: once, until its clearing is undone."""

    clearing = models.ForeignKey(Clearing, on_delete=models.PROTECT, related_name="items")
    entry = models.ForeignKey(JournalEntry, on_delete=models.PROTECT, related_name="+")
    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    undone_on = models.DateField(null=True, help_text="The day its clearing was undone.")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["entry", "account"], condition=Q(undone_on=None), name="cleared_once_in_force")
        ]

    def __str__(self) -> str:
        return f"{self.entry_id} on {self.account_id}"


@pghistory.track()
class ClosingWaiver(models.Model):
    """A check of a month that somebody lets pass, with the reason. In force until it is withdrawn."""

    first_day = models.DateField()
    code = models.CharField(max_length=40)
    reason = models.CharField(max_length=200)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    withdrawn_at = models.DateTimeField(null=True)
    withdrawn_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["first_day", "code"], condition=Q(withdrawn_at=None), name="waived_once"),
            models.CheckConstraint(condition=~Q(reason=""), name="waiver_has_a_reason"),
            models.CheckConstraint(condition=Q(first_day__day=1), name="waiver_of_a_month"),
            models.CheckConstraint(
                condition=Q(withdrawn_at=None, withdrawn_by=None) | Q(withdrawn_at__isnull=False, withdrawn_by__isnull=False),
                name="waiver_withdrawn_by_somebody",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.first_day:%Y-%m} {self.code}"


class ClosingPackage(models.Model):
    """What a month was closed with: its checklist as it stood, and every report. A month closed again has another one."""

    first_day = models.DateField()
    number = models.PositiveSmallIntegerField(help_text="1, and one more each time the month is closed again.")
    closed_at = models.DateTimeField()
    closed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    checklist = models.JSONField(help_text="Each check as it stood: title, state, note, reason it was waived.")
    document = models.OneToOneField(Document, on_delete=models.PROTECT, related_name="closing_package")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["first_day", "number"], name="closing_package_once"),
            models.CheckConstraint(condition=Q(first_day__day=1, number__gte=1), name="closing_package_of_a_month"),
        ]

    def __str__(self) -> str:
        return f"{self.first_day:%Y-%m}/{self.number}"


class ClosingFile(models.Model):
    """One file of a package, as it was."""

    package = models.ForeignKey(ClosingPackage, on_delete=models.PROTECT, related_name="files")
    name = models.CharField(max_length=60)
    content = models.BinaryField()
    sha256 = models.CharField(max_length=64)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["package", "name"], name="closing_file_once"),
            models.CheckConstraint(condition=Q(sha256=hex_sha256("content")), name="closing_file_sha256_is_of_content"),
        ]

    def __str__(self) -> str:
        return self.name


@pghistory.track()
class MonthReopening(models.Model):
    """The last closed month, opened again by a manager; what it had been closed with stands here and in its package."""

    first_day = models.DateField()
    closed_at = models.DateTimeField(help_text="Which closing it takes back.")
    closed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    entry_count = models.PositiveIntegerField()
    debits = amount_field()
    reason = models.CharField(max_length=200)
    reopened_at = models.DateTimeField()
    reopened_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["first_day", "closed_at"], name="month_reopened_once"),
            models.CheckConstraint(condition=~Q(reason=""), name="reopening_has_a_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.first_day:%Y-%m} reopened"


class BankReconciliation(models.Model):
    """A bank account that agreed with its books at the end of a day, with all that was outstanding, as it was shown then."""

    class Told(models.TextChoices):
        STATEMENT = "statement", "The bank’s file"
        TYPED = "typed", "Typed from the statement"
        LINES = "lines", "Worked out from another day’s balance by the lines between"

    account = models.ForeignKey(BankAccount, on_delete=models.PROTECT, related_name="reconciliations")
    on = models.DateField()
    told = models.CharField(max_length=9, choices=Told.choices)
    bank = amount_field(help_text="What the bank says.")
    books = amount_field(help_text="What the ledger says.")
    only_at_bank = amount_field(help_text="Lines of the bank that are not in the books by the day.")
    only_in_books = amount_field(help_text="Entries of the books that are not at the bank by the day.")
    outstanding = models.JSONField(help_text="Each thing: day, what, amount, side, and since when it is on the other side.")
    saved_at = models.DateTimeField()
    saved_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(bank=F("books") + F("only_at_bank") - F("only_in_books")), name="reconciliation_agrees"
            )
        ]
        indexes = [models.Index(fields=["account", "-on"], name="reconciliation_newest")]

    def __str__(self) -> str:
        return f"{self.account_id} {self.on}"
