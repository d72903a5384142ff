"""A school, its programmes, and what these ask a student to bring."""

import pghistory
from django.db import models
from django.db.models import Q

from schools.models.districts import District


@pghistory.track()
class School(models.Model):
    """A school, where its mail and the van go."""

    class Weekday(models.IntegerChoices):
        MONDAY = 0, "Monday"
        TUESDAY = 1, "Tuesday"
        WEDNESDAY = 2, "Wednesday"
        THURSDAY = 3, "Thursday"
        FRIDAY = 4, "Friday"

    name = models.CharField(max_length=120, unique=True)
    district = models.ForeignKey(District, on_delete=models.PROTECT, null=True, blank=True, related_name="schools")
    street = models.CharField(max_length=120)
    city = models.CharField(max_length=80)
    state = models.CharField(max_length=2)
    postal_code = models.CharField(max_length=10)
    delivery_weekday = models.SmallIntegerField(choices=Weekday.choices, null=True, blank=True)
    is_active = models.BooleanField(default=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


@pghistory.track()
class Programme(models.Model):
    """A school's band or orchestra and who directs it."""

    class Kind(models.TextChoices):
        BAND = "band", "Band"
        ORCHESTRA = "orchestra", "Orchestra"

    school = models.ForeignKey(School, on_delete=models.PROTECT, related_name="programmes")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    starting_grade = models.PositiveSmallIntegerField(default=5)
    expected_beginners = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="How many begin next season, as the director told; none: not told."
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["school", "kind"], name="programme_once_per_school"),
            models.CheckConstraint(
                condition=Q(expected_beginners=None) | Q(expected_beginners__lte=2000), name="programme_beginners_sane"
            ),
            models.CheckConstraint(condition=Q(starting_grade__gte=1, starting_grade__lte=12), name="programme_grade_known"),
        ]
        ordering = ["school__name", "kind"]

    def __str__(self) -> str:
        return f"{self.school} {self.get_kind_display()}"


@pghistory.track()
class RequiredItem(models.Model):
    """One line of a required list: what the programme asks a student of one kind of instrument to bring.

    Lines with the same `choice` stand for each other: one of them is enough. What somebody else sells may have only words.
    """

    class SoldBy(models.TextChoices):
        US = "us", "We sell it"
        SCHOOL = "school", "The school sells it"
        ANYWHERE = "anywhere", "Bought where the family likes"

    programme = models.ForeignKey(Programme, on_delete=models.CASCADE, related_name="required_items")
    kind = models.ForeignKey("inventory.InstrumentKind", on_delete=models.PROTECT, related_name="+")
    product = models.ForeignKey("inventory.Product", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    words = models.CharField(max_length=120, blank=True, help_text="What it is, where it is no product of ours.")
    quantity = models.PositiveSmallIntegerField(default=1)
    sold_by = models.CharField(max_length=8, choices=SoldBy.choices, default=SoldBy.US)
    choice = models.PositiveSmallIntegerField(null=True, blank=True, help_text="The same number: one of these is enough.")
    note = models.CharField(max_length=120, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["programme", "kind", "product"], name="required_item_once"),
            models.CheckConstraint(condition=Q(quantity__gte=1, quantity__lte=20), name="required_quantity_sane"),
            models.CheckConstraint(
                condition=Q(product__isnull=False, words="") | (Q(product__isnull=True) & ~Q(words="") & ~Q(sold_by="us")),
                name="required_item_product_or_words",
            ),
            models.CheckConstraint(condition=Q(choice=None) | Q(choice__gte=1, choice__lte=20), name="required_choice_sane"),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.product_id or self.words}"

    @property
    def what(self) -> str:
        """What is to be brought, in words; read it with the product at hand."""
        return str(self.product) if self.product else self.words
