"""Debiting families' bank accounts: who authorised it, what they were told, the runs, what came back.

Account numbers are here only sealed (`billing.autopay.crypto`), and never in the history.
"""

import pghistory
from django.db import models
from django.db.models import F, Q

from billing.models.charges import Charge
from billing.models.ledger import amount_field
from billing.models.payments import Deposit, Payment, PaymentReturn


@pghistory.track()
class AutopaySetup(models.Model):
    """How the office's bank wants its files; exactly one row. What stands here the bank says when it opens the service."""

    id = models.SmallIntegerField(primary_key=True, default=1)
    bank_name = models.CharField(max_length=23)
    bank_routing = models.CharField(max_length=9)
    origin = models.CharField(max_length=10, help_text="Immediate origin: ten characters, given by the bank.")
    company_name = models.CharField(max_length=16, help_text="As families see it on their bank statement.")
    company_id = models.CharField(max_length=10)
    approval_limit = amount_field(default=1000, help_text="A run above this is approved by a second person.")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(id=1), name="autopay_setup_is_one"),
            models.CheckConstraint(condition=Q(approval_limit__gte=0), name="autopay_limit_not_negative"),
        ]

    def __str__(self) -> str:
        return self.company_name


@pghistory.track(exclude=["account_sealed", "account_index"])
class AutopayAuthorisation(models.Model):
    """A guardian let the office debit an account, in these words, until it ended."""

    class AccountType(models.TextChoices):
        CHECKING = "checking", "Checking"
        SAVINGS = "savings", "Savings"

    class Channel(models.TextChoices):
        IN_PERSON = "in_person", "On paper or at the counter"
        ONLINE = "online", "Online"

    class Ended(models.TextChoices):
        REVOKED = "revoked", "Revoked by the family"
        RETURNED = "returned", "Stopped by a return"
        OFFICE = "office", "Ended by the office"

    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="autopay_authorisations")
    guardian = models.ForeignKey("families.Guardian", on_delete=models.PROTECT, related_name="+")
    account_name = models.CharField(max_length=22, help_text="Whose account it is, in the characters of a file.")
    account_type = models.CharField(max_length=8, choices=AccountType.choices)
    routing_number = models.CharField(max_length=9)
    last_four = models.CharField(max_length=4)
    account_sealed = models.BinaryField()
    account_index = models.CharField(max_length=64, db_index=True)
    channel = models.CharField(max_length=9, choices=Channel.choices)
    account_checked = models.CharField(max_length=80, blank=True, help_text="How it was checked that the account is theirs.")
    wording = models.TextField()
    wording_version = models.CharField(max_length=20)
    authorised_on = models.DateField()
    document = models.OneToOneField(
        "documents.Document", on_delete=models.PROTECT, null=True, related_name="+", help_text="The copy the family was given."
    )
    taken_at = models.DateTimeField()
    taken_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    ended_how = models.CharField(max_length=8, choices=Ended.choices, blank=True)
    ended_why = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["household"], condition=Q(ended_at=None), name="autopay_one_in_force"),
            models.CheckConstraint(condition=Q(last_four__regex=r"^[0-9A-Z]{1,4}$"), name="autopay_last_four"),
            models.CheckConstraint(condition=Q(account_name__regex=r"^[A-Z0-9 .&'/-]{1,22}$"), name="autopay_name_of_a_file"),
            models.CheckConstraint(
                condition=Q(channel="in_person") | ~Q(account_checked=""), name="autopay_online_account_is_checked"
            ),
            models.CheckConstraint(
                condition=Q(ended_at=None, ended_by=None, ended_how="", ended_why="")
                | (Q(ended_at__gte=F("taken_at"), ended_by__isnull=False) & ~Q(ended_how="") & ~Q(ended_why="")),
                name="autopay_ended_by_somebody_for_a_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"…{self.last_four}"

    @property
    def is_in_force(self) -> bool:
        """Whether the account may be debited."""
        return self.ended_at is None


class AutopayNotice(models.Model):
    """What a family was told: at most so much, on this day. It is open until it was debited or came to nothing."""

    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="autopay_notices")
    authorisation = models.ForeignKey(AutopayAuthorisation, on_delete=models.PROTECT, related_name="notices")
    amount = amount_field()
    debit_on = models.DateField()
    given_on = models.DateField()
    message = models.OneToOneField("documents.OutboxMessage", on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="autopay_notice_positive"),
            models.UniqueConstraint(fields=["authorisation", "debit_on"], name="autopay_notice_once"),
            models.UniqueConstraint(fields=["household"], condition=Q(closed_at=None), name="autopay_notice_one_open"),
        ]

    def __str__(self) -> str:
        return f"{self.household_id}: {self.amount} on {self.debit_on}"


@pghistory.track()
class AutopayRun(models.Model):
    """Debits that leave together as one file, once."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waits for approval"
        READY = "ready", "Ready to leave"
        SENT = "sent", "Let out, the bank has not said yet"
        SETTLED = "settled", "Settled"
        REFUSED = "refused", "Refused by the bank"
        CANCELLED = "cancelled", "Cancelled"

    number = models.CharField(max_length=12, unique=True)
    effective_on = models.DateField()
    state = models.CharField(max_length=9, choices=State.choices)
    total = amount_field()
    entry_count = models.PositiveIntegerField()
    needs_approval = models.BooleanField()
    prepared_at = models.DateTimeField()
    prepared_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    approved_at = models.DateTimeField(null=True)
    approved_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    sent_at = models.DateTimeField(null=True)
    sent_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    deposit = models.OneToOneField(Deposit, on_delete=models.PROTECT, null=True, related_name="autopay_run")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    end_note = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(total__gt=0, entry_count__gt=0), name="autopay_run_of_something"),
            models.CheckConstraint(
                condition=Q(approved_by=None) | ~Q(approved_by=F("prepared_by")), name="autopay_run_approved_by_another"
            ),
            models.CheckConstraint(
                condition=Q(needs_approval=False) | Q(approved_by__isnull=False) | Q(state__in=["waiting", "cancelled"]),
                name="autopay_run_waits_for_approval",
            ),
            models.CheckConstraint(
                condition=Q(sent_at=None, sent_by=None, deposit=None, state__in=["waiting", "ready", "cancelled"])
                | Q(
                    sent_at__isnull=False, sent_by__isnull=False, deposit__isnull=False, state__in=["sent", "settled", "refused"]
                ),
                name="autopay_run_sent_with_its_deposit",
            ),
            models.CheckConstraint(
                condition=Q(ended_at=None, state__in=["waiting", "ready", "sent"])
                | Q(ended_at__isnull=False, ended_by__isnull=False, state__in=["settled", "refused", "cancelled"]),
                name="autopay_run_ended_by_somebody",
            ),
        ]

    def __str__(self) -> str:
        return self.number


class AutopayEntry(models.Model):
    """One debit of one account. `retry`: 0, or which presentation again of `original` it is."""

    class State(models.TextChoices):
        OPEN = "open", "Selected"
        SENT = "sent", "Let out"
        DROPPED = "dropped", "Left out"
        REFUSED = "refused", "File refused"

    run = models.ForeignKey(AutopayRun, on_delete=models.PROTECT, related_name="entries")
    authorisation = models.ForeignKey(AutopayAuthorisation, on_delete=models.PROTECT, related_name="entries")
    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="autopay_entries")
    notice = models.ForeignKey(AutopayNotice, on_delete=models.PROTECT, null=True, related_name="entries")
    original = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="retries")
    retry = models.PositiveSmallIntegerField(default=0)
    amount = amount_field()
    entry_class = models.CharField(max_length=3)
    state = models.CharField(max_length=7, choices=State.choices, default=State.OPEN)
    dropped_why = models.CharField(max_length=120, blank=True)
    trace = models.CharField(max_length=15, blank=True, help_text="Fifteen digits, once it left.")
    routing_number = models.CharField(max_length=9)
    last_four = models.CharField(max_length=4)
    payment = models.OneToOneField(Payment, on_delete=models.PROTECT, null=True, related_name="autopay_entry")

    class Meta:
        verbose_name_plural = "autopay entries"
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="autopay_entry_positive"),
            models.CheckConstraint(condition=Q(retry__lte=2), name="autopay_entry_at_most_two_retries"),
            models.CheckConstraint(
                condition=Q(retry=0, original=None, notice__isnull=False) | Q(retry__gt=0, original__isnull=False, notice=None),
                name="autopay_entry_noticed_or_again",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["sent", "refused"], trace__regex=r"^[0-9]{15}$", payment__isnull=False)
                | Q(state__in=["open", "dropped"], trace="", payment=None),
                name="autopay_entry_sent_with_its_payment",
            ),
            models.UniqueConstraint(fields=["trace"], condition=~Q(trace=""), name="autopay_entry_trace_once"),
            models.UniqueConstraint(
                fields=["notice"], condition=~Q(state__in=["dropped", "refused"]), name="autopay_entry_once_a_notice"
            ),
            models.UniqueConstraint(
                fields=["original", "retry"], condition=~Q(state__in=["dropped", "refused"]), name="autopay_entry_once_a_retry"
            ),
        ]

    def __str__(self) -> str:
        return self.trace or f"{self.household_id}: {self.amount}"


class AutopayCover(models.Model):
    """A charge that an entry is for. `attempt` counts how often the charge was put into a run; open until the run left."""

    entry = models.ForeignKey(AutopayEntry, on_delete=models.PROTECT, related_name="covers")
    charge = models.ForeignKey(Charge, on_delete=models.PROTECT, related_name="autopay_covers")
    amount = amount_field()
    attempt = models.PositiveSmallIntegerField()
    is_open = models.BooleanField(default=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(amount__gt=0), name="autopay_cover_positive"),
            models.UniqueConstraint(fields=["charge", "attempt"], name="autopay_charge_once_an_attempt"),
            models.UniqueConstraint(fields=["charge"], condition=Q(is_open=True), name="autopay_charge_under_way_once"),
        ]

    def __str__(self) -> str:
        return f"{self.charge_id}/{self.attempt}"


class AutopayFile(models.Model):
    """The file of a run, made once. Its bytes lie sealed in its parts; downloaded again it is the same to the byte."""

    run = models.OneToOneField(AutopayRun, on_delete=models.PROTECT, related_name="file")
    made_on = models.DateField()
    modifier = models.CharField(max_length=1)
    made_at = models.DateTimeField()
    sha256 = models.CharField(max_length=64)
    size = models.PositiveIntegerField()
    entry_hash = models.CharField(max_length=10)
    records = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["made_on", "modifier"], name="autopay_file_modifier_once_a_day"),
            models.CheckConstraint(condition=Q(sha256__regex="^[0-9a-f]{64}$"), name="autopay_file_sha256"),
        ]

    def __str__(self) -> str:
        return f"{self.made_on}{self.modifier}"


class AutopayFilePart(models.Model):
    """A sealed part of a file."""

    file = models.ForeignKey(AutopayFile, on_delete=models.PROTECT, related_name="parts")
    place = models.PositiveIntegerField()
    sealed = models.BinaryField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["file", "place"], name="autopay_file_part_once")]

    def __str__(self) -> str:
        return f"{self.file_id}/{self.place}"


class AutopayAnswers(models.Model):
    """A file of the bank's with returns and corrections: looked at, then taken in whole, once. Taken in, it is not kept."""

    sha256 = models.CharField(max_length=64, unique=True)
    file_name = models.CharField(max_length=200)
    sealed = models.BinaryField(null=True)
    read_at = models.DateTimeField()
    read_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    taken_at = models.DateTimeField(null=True)
    taken_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        verbose_name_plural = "autopay answers"
        constraints = [
            models.CheckConstraint(
                condition=Q(taken_at=None, sealed__isnull=False) | Q(taken_at__isnull=False, sealed=None),
                name="autopay_answers_kept_until_taken",
            )
        ]

    def __str__(self) -> str:
        return self.file_name


class AutopayReturn(models.Model):
    """A debit that came back, with the payment it takes back."""

    file = models.ForeignKey(AutopayAnswers, on_delete=models.PROTECT, related_name="returns")
    entry = models.OneToOneField(AutopayEntry, on_delete=models.PROTECT, related_name="came_back")
    reason = models.CharField(max_length=3)
    returned_on = models.DateField()
    payment_return = models.OneToOneField(PaymentReturn, on_delete=models.PROTECT, related_name="autopay_return")
    message = models.OneToOneField("documents.OutboxMessage", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(reason__regex="^R[0-9]{2}$"), name="autopay_return_code")]

    def __str__(self) -> str:
        return f"{self.entry_id} {self.reason}"


class AutopayCorrection(models.Model):
    """What a family's bank corrected about the account, used from the next debit on."""

    file = models.ForeignKey(AutopayAnswers, on_delete=models.PROTECT, related_name="corrections")
    entry = models.ForeignKey(AutopayEntry, on_delete=models.PROTECT, related_name="corrections")
    change = models.CharField(max_length=3)
    last_four_before = models.CharField(max_length=4)
    last_four_after = models.CharField(max_length=4)
    is_used = models.BooleanField(help_text="Whether the authorisation was changed; not when it had ended or nothing can be.")
    made_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["entry", "change"], name="autopay_correction_once")]

    def __str__(self) -> str:
        return f"{self.entry_id} {self.change}"
