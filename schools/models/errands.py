"""What the van's next run to a school fetches there or brings."""

import pghistory
from django.db import models
from django.db.models import F, Q

from schools.models.schools import School


@pghistory.track()
class Errand(models.Model):
    """One instrument that the next run fetches from a school or brings there. Open until it is done or called off."""

    class Kind(models.TextChoices):
        PICK_UP = "pick_up", "Fetch"
        DROP_OFF = "drop_off", "Bring"

    class Outcome(models.TextChoices):
        DONE = "done", "Done"
        CALLED_OFF = "called_off", "Called off"

    school = models.ForeignKey(School, on_delete=models.PROTECT, related_name="errands")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    instrument = models.ForeignKey("inventory.Instrument", on_delete=models.PROTECT, related_name="errands")
    what = models.CharField(max_length=160, blank=True, help_text="What is wrong, or what the driver must know. No names.")
    wanted_from = models.DateField(
        help_text="The first day it may go along; the van takes it on the school's next day from there."
    )
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")
    outcome = models.CharField(max_length=10, choices=Outcome.choices, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["instrument"], condition=Q(ended_at=None), name="errand_one_open_per_instrument"),
            models.CheckConstraint(
                condition=Q(ended_at=None, ended_by=None, outcome="")
                | Q(ended_at__gte=F("made_at"), ended_by__isnull=False, outcome__in=["done", "called_off"]),
                name="errand_ended_somehow_by_someone",
            ),
        ]
        indexes = [models.Index(fields=["school", "wanted_from"], condition=Q(ended_at=None), name="errand_open")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.instrument_id}"
