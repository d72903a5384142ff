"""What the programme has to rent and to sell, and where it stands: shops, kinds, catalogue items, products."""

from typing import ClassVar

import pghistory
from django.db import models
from django.db.models import F, Q

from rentals.runtime.money import price_field


@pghistory.track()
class Location(models.Model):
    """A place of the shop where instruments stand: a store or a workshop."""

    code = models.SlugField(max_length=20, primary_key=True)
    name = models.CharField(max_length=80)
    street = models.CharField(max_length=120)
    city = models.CharField(max_length=80)
    state = models.CharField(max_length=2)
    postal_code = models.CharField(max_length=10)
    is_active = models.BooleanField(default=True)

    def __str__(self) -> str:
        return self.name


class InstrumentKind(models.Model):
    """A kind of instrument: flute, violin, trombone. Codes follow the MusicXML sound list where it names the kind."""

    class Family(models.TextChoices):
        WOODWIND = "woodwind", "Woodwind"
        BRASS = "brass", "Brass"
        STRING = "string", "Bowed strings"
        PERCUSSION = "percussion", "Percussion"

    code = models.SlugField(max_length=40, primary_key=True)
    name = models.CharField(max_length=60, unique=True)
    family = models.CharField(max_length=12, choices=Family.choices)
    has_sizes = models.BooleanField(default=False, help_text="Bowed strings come in fractional sizes.")
    musicxml_sound = models.CharField(max_length=60, blank=True)
    order = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["order", "name"]

    def __str__(self) -> str:
        return self.name


@pghistory.track()
class CatalogueItem(models.Model):
    """One model of instrument the programme rents, in one size and tier, with its prices."""

    class Tier(models.TextChoices):
        BEGINNER = "beginner", "Beginner"
        ADVANCED = "advanced", "Advancing student"

    kind = models.ForeignKey(InstrumentKind, on_delete=models.PROTECT, related_name="items")
    maker = models.CharField(max_length=60)
    model = models.CharField(max_length=60)
    size = models.CharField(max_length=8, blank=True, help_text="1/16 to 4/4, or inches for violas; empty for winds.")
    tier = models.CharField(max_length=12, choices=Tier.choices, default=Tier.BEGINNER)
    purchase_price = price_field(help_text="New.")
    used_price = price_field(null=True, blank=True, help_text="One that was out before; empty: not sold used.")
    replacement_value = price_field()
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    objects: ClassVar[models.Manager["CatalogueItem"]] = models.Manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "maker", "model", "size"], name="catalogue_item_once"),
            models.CheckConstraint(
                condition=Q(purchase_price__gte=0, replacement_value__gte=0), name="catalogue_prices_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(used_price=None) | Q(used_price__gte=0, used_price__lte=F("purchase_price")),
                name="catalogue_used_not_above_new",
            ),
        ]
        ordering = ["kind__order", "maker", "model", "size"]

    def __str__(self) -> str:
        return " ".join(part for part in (self.maker, self.model, self.size) if part)


@pghistory.track()
class Product(models.Model):
    """Something sold with an instrument: reeds, oil, rosin, a stand, a method book."""

    sku = models.SlugField(max_length=40, primary_key=True)
    name = models.CharField(max_length=80)
    price = price_field()
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    objects: ClassVar[models.Manager["Product"]] = models.Manager()

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(price__gte=0), name="product_price_not_negative")]
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name
