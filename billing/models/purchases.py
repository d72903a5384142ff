"""Buying: a price quoted until a day, and the purchase with the credit it used."""

from django.db import models
from django.db.models import F, Q

from billing.models.charges import Charge
from billing.models.ledger import JournalEntry, amount_field


class PayoffQuote(models.Model):
    """What it costs to buy the instrument in hand, good through a day. Written once."""

    agreement = models.ForeignKey("agreements.Agreement", on_delete=models.PROTECT, related_name="payoff_quotes")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    valid_until = models.DateField(help_text="Its last day.")
    price = amount_field()
    credit = amount_field()
    discount = amount_field()
    net = amount_field()
    tax = amount_field()
    past_due = amount_field()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(net=F("price") - F("credit") - F("discount"), net__gte=0, tax__gte=0, past_due__gte=0),
                name="payoff_quote_adds_up",
            ),
        ]
        indexes = [models.Index(fields=["agreement", "-made_at"], name="payoff_quote_newest")]

    def __str__(self) -> str:
        return f"{self.agreement_id}: {self.net + self.tax + self.past_due} until {self.valid_until}"


class Purchase(models.Model):
    """An instrument bought with rental credit: the one in hand, or a better one instead. Written once.

    That the credit used was earned when it was used holds the trigger `purchase_credit_was_earned`; that it later proved unpaid
    is found by comparing it with what is earned now.
    """

    class Kind(models.TextChoices):
        OWN = "own", "The instrument in hand"
        STEP_UP = "step_up", "A better one"

    agreement = models.OneToOneField("agreements.Agreement", on_delete=models.PROTECT, related_name="purchase")
    kind = models.CharField(max_length=7, choices=Kind.choices)
    instrument = models.OneToOneField("inventory.Instrument", on_delete=models.PROTECT, related_name="purchase")
    quote = models.OneToOneField(PayoffQuote, on_delete=models.PROTECT, null=True, related_name="purchase")
    bought_on = models.DateField()
    price = amount_field()
    credit_used = amount_field()
    discount = amount_field(default=0)
    net = amount_field()
    tax = amount_field()
    charge = models.OneToOneField(
        Charge,
        on_delete=models.PROTECT,
        null=True,
        related_name="purchase",
        help_text="Empty when rent alone paid the whole price.",
    )
    entry = models.OneToOneField(
        JournalEntry,
        on_delete=models.PROTECT,
        null=True,
        related_name="purchase",
        help_text="Where there is no charge: the sale itself.",
    )
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(net=F("price") - F("credit_used") - F("discount"), net__gte=0, tax__gte=0, credit_used__gte=0),
                name="purchase_adds_up",
            ),
            models.CheckConstraint(
                condition=Q(charge__isnull=False, entry=None) | Q(charge=None, entry__isnull=False, net=0),
                name="purchase_is_posted_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.agreement_id}: {self.price}"
