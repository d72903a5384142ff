"""What the bank says, and what each of its lines was matched to: to the cent or not at all."""

import pghistory
from django.db import models
from django.db.models import F, Q

from billing.models.ledger import Account, JournalEntry, amount_field
from billing.models.payments import Deposit, Payment


@pghistory.track()
class BankAccount(models.Model):
    """An account of the shop at a bank. Of its number only the last four digits and a fingerprint are kept."""

    name = models.CharField(max_length=80, unique=True)
    last_four = models.CharField(max_length=4)
    fingerprint = models.CharField(
        max_length=64, unique=True, help_text="Keyed SHA-256 of bank and account number, to know a file's account again."
    )
    books = models.OneToOneField(
        Account, on_delete=models.PROTECT, related_name="bank_account", help_text="The account of the ledger that stands for it."
    )
    takes_deposits = models.BooleanField(
        default=False, db_default=False, help_text="Deposits, transfers and refunds go over it: one account of the shop."
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["takes_deposits"], condition=Q(takes_deposits=True), name="bank_account_for_deposits")
        ]

    def __str__(self) -> str:
        return f"{self.name} …{self.last_four}"


class BankAccountKey(models.Model):
    """Another way in which files name an account: some formats give the bank's number with it, some the account's alone."""

    account = models.ForeignKey(BankAccount, on_delete=models.PROTECT, related_name="keys")
    fingerprint = models.CharField(max_length=64, unique=True)

    def __str__(self) -> str:
        return f"{self.account_id}: {self.fingerprint[:8]}"


@pghistory.track()
class BankLayout(models.Model):
    """What the columns of an account's lists in CSV mean, told once and remembered."""

    account = models.ForeignKey(BankAccount, on_delete=models.PROTECT, related_name="layouts")
    signature = models.CharField(max_length=64, help_text="By what lists of one layout are known again.")
    columns = models.JSONField(help_text="Places of the columns, and how days and amounts are written.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["account", "signature"], name="bank_layout_once")]

    def __str__(self) -> str:
        return f"{self.account_id}: {self.signature[:8]}"


class BankFile(models.Model):
    """One file as it was read, waiting to be taken in or taken in.

    The bytes are not kept: account numbers stand in them. Only those of a list in CSV wait, sealed, until it is taken in, because
    a person says what its columns mean.
    """

    sha256 = models.CharField(max_length=64, unique=True)
    file_name = models.CharField(max_length=200)
    contents = models.JSONField(help_text="What the reader found, without account numbers; empty until the columns are told.")
    sealed = models.BinaryField(null=True)
    read_at = models.DateTimeField()
    read_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    taken_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(taken_at=None) | Q(sealed=None), name="bank_file_taken_keeps_no_bytes")]

    def __str__(self) -> str:
        return self.file_name

    @property
    def is_list(self) -> bool:
        """Whether it is a list whose columns a person tells; then its bytes are here until it is taken in."""
        return self.sealed is not None

    @property
    def is_read(self) -> bool:
        """Whether it was read; a list is once its columns are told."""
        return bool(self.contents)


class BankStatement(models.Model):
    """What one file said of one account, taken in whole."""

    account = models.ForeignKey(BankAccount, on_delete=models.PROTECT, related_name="statements")
    file = models.ForeignKey(BankFile, on_delete=models.PROTECT, related_name="statements")
    begins_on = models.DateField()
    ends_on = models.DateField()
    closing_balance = amount_field(null=True)
    balance_on = models.DateField(null=True, help_text="The day at whose end the bank gives the closing balance.")
    line_count = models.PositiveIntegerField()
    new_line_count = models.PositiveIntegerField()
    imported_at = models.DateTimeField()
    imported_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["file", "account"], name="bank_statement_once"),
            models.CheckConstraint(
                condition=Q(closing_balance=None, balance_on=None) | Q(closing_balance__isnull=False, balance_on__isnull=False),
                name="bank_balance_has_its_day",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.account_id}: {self.begins_on} to {self.ends_on}"


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class BankLine(models.Model):
    """One line of the bank's statement. Money in is positive."""

    statement = models.ForeignKey(BankStatement, on_delete=models.PROTECT, related_name="lines")
    account = models.ForeignKey(BankAccount, on_delete=models.PROTECT, related_name="lines")
    bank_reference = models.CharField(max_length=255)
    kind = models.CharField(max_length=20, blank=True)
    posted_on = models.DateField()
    amount = amount_field()
    name = models.CharField(max_length=120, blank=True)
    memo = models.CharField(max_length=255, blank=True)
    cheque_number = models.CharField(max_length=20, blank=True)
    payer = models.CharField(max_length=120, blank=True, help_text="The words of the name, to know a payer again.")
    left_out_at = models.DateTimeField(null=True, help_text="Since when it counts for nothing: the bank told it twice.")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["account", "bank_reference"], name="bank_line_once"),
            models.CheckConstraint(condition=~Q(amount=0), name="bank_line_not_zero"),
        ]
        indexes = [
            models.Index(fields=["posted_on", "id"], name="bank_line_by_day"),
            models.Index(fields=["payer"], condition=~Q(payer=""), name="bank_line_by_payer"),
        ]

    def __str__(self) -> str:
        return f"{self.posted_on} {self.amount} {self.name}"


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class BankMatch(models.Model):
    """A part of a bank line set against a deposit, a payment, or an entry. In force until undone."""

    class How(models.TextChoices):
        HAND = "hand", "By hand"
        PROPOSED = "proposed", "As proposed"
        CERTAIN = "certain", "Matched by itself"

    line = models.ForeignKey(BankLine, on_delete=models.PROTECT, related_name="matches")
    deposit = models.ForeignKey(Deposit, on_delete=models.PROTECT, null=True, related_name="matches")
    payment = models.ForeignKey(Payment, on_delete=models.PROTECT, null=True, related_name="matches")
    entry = models.ForeignKey(JournalEntry, on_delete=models.PROTECT, null=True, related_name="matches")
    books = models.ForeignKey(
        Account, on_delete=models.PROTECT, related_name="+", db_index=False, help_text="The books of the line's account."
    )
    amount = amount_field()
    how = models.CharField(max_length=8, choices=How.choices, default=How.HAND)
    is_made_for_it = models.BooleanField(
        default=False, help_text="The payment or entry was made from the line, and is taken back when the match is undone."
    )
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    undone_at = models.DateTimeField(null=True)
    undone_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    undo_entry = models.OneToOneField(
        JournalEntry,
        on_delete=models.PROTECT,
        null=True,
        related_name="undone_match",
        help_text="The entry that took back what was made from the line.",
    )

    class Meta:
        verbose_name_plural = "bank matches"
        constraints = [
            models.CheckConstraint(
                condition=Q(deposit__isnull=False, payment=None, entry=None)
                | Q(deposit=None, payment__isnull=False, entry=None)
                | Q(deposit=None, payment=None, entry__isnull=False),
                name="bank_match_one_counterpart",
            ),
            models.CheckConstraint(condition=~Q(amount=0), name="bank_match_not_zero"),
            models.CheckConstraint(condition=Q(undone_at=None) | Q(undone_at__gte=F("made_at")), name="bank_match_undone_later"),
            models.CheckConstraint(
                condition=Q(undone_at=None, undone_by=None, undo_entry=None)
                | Q(undone_at__isnull=False, undone_by__isnull=False),
                name="bank_match_undone_by_somebody",
            ),
            models.UniqueConstraint(fields=["deposit"], condition=Q(undone_at=None), name="deposit_matched_once"),
            models.UniqueConstraint(fields=["payment"], condition=Q(undone_at=None), name="payment_matched_once"),
            models.UniqueConstraint(fields=["entry", "books"], condition=Q(undone_at=None), name="entry_matched_once"),
        ]

    def __str__(self) -> str:
        return f"{self.line_id}: {self.amount}"


@pghistory.track()
class BankPayer(models.Model):
    """A payer whom a person has matched with a household, so that the next line is known; or whom that was refused for."""

    payer = models.CharField(max_length=120, help_text="The words of the name, as they stand in a line.")
    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="bank_payers")
    line = models.ForeignKey(BankLine, on_delete=models.PROTECT, related_name="+", help_text="The line it was learned from last.")
    learned_at = models.DateTimeField()
    learned_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    is_refused = models.BooleanField(default=False, help_text="A match by itself was undone: this pair is never certain again.")
    forgotten_at = models.DateTimeField(null=True, help_text="Undone, or paid for another household since.")
    forgotten_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["payer", "household"], name="bank_payer_once"),
            models.UniqueConstraint(
                fields=["payer"], condition=Q(forgotten_at=None, is_refused=False), name="bank_payer_of_one_household"
            ),
            models.CheckConstraint(condition=~Q(payer=""), name="bank_payer_has_a_name"),
            models.CheckConstraint(
                condition=Q(forgotten_at=None, forgotten_by=None) | Q(forgotten_at__isnull=False, forgotten_by__isnull=False),
                name="bank_payer_forgotten_by_somebody",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.payer}: {self.household_id}"


class MatchingRun(models.Model):
    """One round of matching by itself what is certain. Where it stands is here, so that any worker may take it up again."""

    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    total = models.PositiveIntegerField(default=0, help_text="Lines that were open.")
    done = models.PositiveIntegerField(default=0, help_text="Lines looked at.")
    matched = models.PositiveIntegerField(default=0)
    heartbeat_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(matched__lte=F("done"), done__lte=F("total")), name="matching_run_adds_up"),
            models.UniqueConstraint(models.Value(1), condition=Q(finished_at=None), name="matching_run_one_at_a_time"),
        ]

    def __str__(self) -> str:
        return f"{self.asked_at}: {self.matched} of {self.total}"
