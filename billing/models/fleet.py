"""The fleet in the books: what each instrument cost, what has been depreciated of it, and how it left."""

from decimal import Decimal
from typing import ClassVar

from django.db import models
from django.db.models import F, Q

from billing.models.charges import Charge
from billing.models.ledger import JournalEntry, amount_field


class FleetAsset(models.Model):
    """One instrument as it stands in the books, from the month it was bought. Never changed: what follows has its own rows."""

    class Method(models.TextChoices):
        STRAIGHT_LINE = "straight_line", "Straight line"

    class TaxClass(models.IntegerChoices):
        THREE = 3, "3-year property"
        FIVE = 5, "5-year property"
        SEVEN = 7, "7-year property"

    instrument = models.OneToOneField("inventory.Instrument", on_delete=models.PROTECT, related_name="fleet_asset")
    cost = amount_field()
    in_service_on = models.DateField(help_text="The day it was ready to be rented: depreciation begins with its month.")
    life_months = models.PositiveSmallIntegerField()
    salvage = amount_field(default=0, help_text="What it will still be worth after its life; never depreciated.")
    method = models.CharField(max_length=16, choices=Method.choices, default=Method.STRAIGHT_LINE)
    tax_class = models.PositiveSmallIntegerField(
        choices=TaxClass.choices, help_text="For the tax schedule; nothing is posted by it."
    )
    entry = models.ForeignKey(JournalEntry, on_delete=models.PROTECT, related_name="fleet_assets")
    booked_at = models.DateTimeField()
    booked_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    objects: ClassVar[models.Manager["FleetAsset"]] = models.Manager()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(cost__gt=0), name="fleet_asset_cost_positive"),
            models.CheckConstraint(condition=Q(salvage__gte=0, salvage__lte=F("cost")), name="fleet_asset_salvage_within_cost"),
            models.CheckConstraint(condition=Q(life_months__gte=1, life_months__lte=600), name="fleet_asset_has_a_life"),
            models.CheckConstraint(condition=Q(method="straight_line"), name="fleet_asset_method_known"),
            models.CheckConstraint(condition=Q(tax_class__in=[3, 5, 7]), name="fleet_asset_tax_class_known"),
        ]

    def __str__(self) -> str:
        return f"Instrument {self.instrument_id} at {self.cost}"

    @property
    def basis(self) -> Decimal:
        """What is depreciated in the end."""
        basis: Decimal = self.cost - self.salvage
        return basis


class FleetDepreciation(models.Model):
    """What was depreciated of one asset in one month, with what that makes so far."""

    asset = models.ForeignKey(FleetAsset, on_delete=models.PROTECT, related_name="depreciations")
    month = models.DateField(help_text="The month's first day.")
    age = models.PositiveSmallIntegerField(help_text="Months of its life used up by the end of the month.")
    amount = amount_field(help_text="More than one month's where earlier months had not been posted.")
    accumulated = amount_field(help_text="Depreciated so far, this row included.")
    entry = models.ForeignKey(JournalEntry, on_delete=models.PROTECT, related_name="fleet_depreciations")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["asset", "month"], name="depreciation_once_per_month"),
            models.CheckConstraint(condition=Q(month__day=1), name="depreciation_month_begins_on_the_first"),
            models.CheckConstraint(condition=Q(amount__gte=0, age__gt=0), name="depreciation_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.asset_id} {self.month:%Y-%m}: {self.amount}"


class DepreciatedMonth(models.Model):
    """A month whose depreciation is done for the whole fleet: months are done in order, each once."""

    first_day = models.DateField(primary_key=True)
    entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, null=True, related_name="depreciated_month")
    asset_count = models.PositiveIntegerField(help_text="Instruments that had something to depreciate.")
    amount = amount_field()
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(first_day__day=1), name="depreciated_month_begins_on_the_first"),
            models.CheckConstraint(
                condition=Q(entry=None, amount=0) | Q(entry__isnull=False, amount__gt=0), name="depreciated_month_has_its_entry"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.first_day:%Y-%m}"


class FleetRemoval(models.Model):
    """An asset taken out of the books, sold or lost; undone when it comes back."""

    class How(models.TextChoices):
        SOLD = "sold", "Sold"
        LOST = "lost", "Lost or retired"

    asset = models.ForeignKey(FleetAsset, on_delete=models.PROTECT, related_name="removals")
    removed_on = models.DateField()
    how = models.CharField(max_length=4, choices=How.choices)
    depreciated = amount_field(help_text="What had been depreciated when it left.")
    entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, related_name="fleet_removal")
    undo_entry = models.OneToOneField(JournalEntry, on_delete=models.PROTECT, null=True, related_name="undone_fleet_removal")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["asset"], condition=Q(undo_entry=None), name="fleet_asset_removed_once")]

    def __str__(self) -> str:
        return f"{self.asset_id} {self.how} {self.removed_on}"


class FleetSale(models.Model):
    """An instrument sold outside an agreement, to a family or to a buyer in words; undone when it was a mistake.

    A buyer that the shop does not know is named in `buyer`; the books carry it on the household of sales at the counter.
    """

    instrument = models.ForeignKey("inventory.Instrument", on_delete=models.PROTECT, related_name="fleet_sales")
    household = models.ForeignKey("families.Household", on_delete=models.PROTECT, related_name="fleet_sales")
    buyer = models.CharField(max_length=120, blank=True, help_text="Where it is no family of the programme.")
    sold_on = models.DateField()
    price = amount_field()
    tax = amount_field()
    charge = models.OneToOneField(Charge, on_delete=models.PROTECT, related_name="fleet_sale", db_constraint=False)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    undone_at = models.DateTimeField(null=True)
    undone_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    undone_because = models.CharField(max_length=160, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["instrument"], condition=Q(undone_at=None), name="fleet_sale_once"),
            models.CheckConstraint(condition=Q(price__gt=0, tax__gte=0), name="fleet_sale_for_something"),
            models.CheckConstraint(
                condition=Q(undone_at=None, undone_by=None, undone_because="")
                | (Q(undone_at__gte=F("made_at"), undone_by__isnull=False) & ~Q(undone_because="")),
                name="fleet_sale_undone_by_someone",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.instrument_id}: {self.price}"
