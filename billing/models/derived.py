"""What is kept beside the books so that reading them is quick. Written by triggers only; `billing.verify` works it out anew."""

from django.db import models

from billing.models.charges import Charge
from billing.models.ledger import Account, ClosedMonth, amount_field


class OpenItem(models.Model):
    """What of a charge is still to be paid; there is none for a charge that is paid or voided."""

    charge = models.OneToOneField(
        Charge, on_delete=models.PROTECT, primary_key=True, related_name="open_item", db_constraint=False
    )
    household = models.ForeignKey(
        "families.Household", on_delete=models.PROTECT, related_name="open_items", db_constraint=False, db_index=False
    )
    due_on = models.DateField()
    open = amount_field()

    def __str__(self) -> str:
        return f"{self.charge_id}: {self.open}"


class MonthTotal(models.Model):
    """What a closed month moved on an account, debit positive: nothing is posted there any more, so it stays."""

    month = models.ForeignKey(ClosedMonth, on_delete=models.PROTECT, related_name="totals", db_index=False)
    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+", db_index=False)
    amount = amount_field()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["month", "account"], name="month_total_once")]

    def __str__(self) -> str:
        return f"{self.month_id} {self.account_id} {self.amount}"
