"""Repairs that a family paid for: which work order was charged, and once only."""

import pghistory
from django.db import models

from billing.models.charges import Charge


@pghistory.track(pghistory.UpdateEvent(), pghistory.DeleteEvent())
class RepairCharge(models.Model):
    """The charge of one work order. Voided, it stays: the same work is not charged again by itself."""

    work_order = models.OneToOneField("inventory.WorkOrder", on_delete=models.PROTECT, related_name="repair_charge")
    charge = models.OneToOneField(Charge, on_delete=models.PROTECT, related_name="repair", db_constraint=False)

    def __str__(self) -> str:
        return f"{self.work_order_id}: {self.charge_id}"
