"""What a programme's director has told the office: beginners by kind, models that are approved, usual sizes."""

import pghistory
from django.db import models
from django.db.models import Q

from schools.models.schools import Programme


@pghistory.track()
class KindExpected(models.Model):
    """How many beginners on one kind of instrument a director asked for next season."""

    programme = models.ForeignKey(Programme, on_delete=models.CASCADE, related_name="kinds_expected")
    kind = models.ForeignKey("inventory.InstrumentKind", on_delete=models.PROTECT, related_name="+")
    count = models.PositiveSmallIntegerField()

    class Meta:
        verbose_name_plural = "kinds expected"
        constraints = [
            models.UniqueConstraint(fields=["programme", "kind"], name="kind_expected_once"),
            models.CheckConstraint(condition=Q(count__gte=1, count__lte=500), name="kind_expected_sane"),
        ]

    def __str__(self) -> str:
        return f"{self.programme_id}: {self.count} x {self.kind_id}"


@pghistory.track()
class ApprovedItem(models.Model):
    """A model that the director approves for students of its kind; a kind without any means that every model will do."""

    programme = models.ForeignKey(Programme, on_delete=models.CASCADE, related_name="approved_items")
    item = models.ForeignKey("inventory.CatalogueItem", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["programme", "item"], name="approved_item_once")]

    def __str__(self) -> str:
        return f"{self.programme_id}/{self.item_id}"


@pghistory.track()
class UsualSize(models.Model):
    """The size that a director usually wants for students of a school year, shown beside the size by measure."""

    programme = models.ForeignKey(Programme, on_delete=models.CASCADE, related_name="usual_sizes")
    kind = models.ForeignKey("inventory.InstrumentKind", on_delete=models.PROTECT, related_name="+")
    grade = models.PositiveSmallIntegerField()
    size = models.CharField(max_length=8)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["programme", "kind", "grade"], name="usual_size_once"),
            models.CheckConstraint(condition=Q(grade__gte=1, grade__lte=12) & ~Q(size=""), name="usual_size_known"),
        ]

    def __str__(self) -> str:
        return f"{self.programme_id}: {self.kind_id}, {self.grade}: {self.size}"
