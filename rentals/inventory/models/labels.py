"""Labels: the sheets and rolls they come on, the printers that print them, and which label was printed when."""

from typing import Any

import pghistory
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from rentals.inventory.models.catalogue import Location
from rentals.inventory.models.instruments import Instrument


def _millimetres(**options: Any) -> "models.DecimalField[Any, Any]":
    return models.DecimalField(max_digits=7, decimal_places=3, **options)


@pghistory.track()
class LabelLayout(models.Model):
    """A sheet of labels, or a roll with one label a page. Lengths in millimetres, from the page's upper left corner."""

    name = models.CharField(max_length=60, unique=True)
    page_width = _millimetres()
    page_height = _millimetres()
    columns = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1), MaxValueValidator(20)])
    rows = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1), MaxValueValidator(50)])
    margin_left = _millimetres(default=0)
    margin_top = _millimetres(default=0)
    pitch_x = _millimetres(help_text="From one label's left edge to the next one's.")
    pitch_y = _millimetres(help_text="From one label's upper edge to the next one's.")
    label_width = _millimetres()
    label_height = _millimetres()
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(columns__range=(1, 20), rows__range=(1, 50), margin_left__gte=0, margin_top__gte=0),
                name="label_layout_has_labels",
            ),
            models.CheckConstraint(
                condition=Q(label_width__gte=20, label_height__gte=10, page_width__lte=500, page_height__lte=500),
                name="label_layout_can_be_read",
            ),
            models.CheckConstraint(
                condition=Q(pitch_x__gte=F("label_width"), pitch_y__gte=F("label_height")), name="label_layout_does_not_overlap"
            ),
            models.CheckConstraint(
                condition=Q(page_width__gte=F("margin_left") + (F("columns") - 1) * F("pitch_x") + F("label_width"))
                & Q(page_height__gte=F("margin_top") + (F("rows") - 1) * F("pitch_y") + F("label_height")),
                name="label_layout_fits_its_page",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def labels_per_page(self) -> int:
        """How many labels a page has."""
        return self.columns * self.rows


@pghistory.track()
class LabelPrinter(models.Model):
    """A printer as it stands somewhere: how far, in millimetres, it prints from where it should, and how much it stretches."""

    name = models.CharField(max_length=60, unique=True)
    dots_per_inch = models.PositiveSmallIntegerField(default=300)
    location = models.ForeignKey(Location, on_delete=models.PROTECT, null=True, blank=True, related_name="label_printers")
    layout = models.ForeignKey(LabelLayout, on_delete=models.PROTECT, null=True, blank=True, related_name="printers")
    offset_x = _millimetres(default=0, help_text="Moves everything to the right; negative to the left.")
    offset_y = _millimetres(default=0, help_text="Moves everything down; negative up.")
    scale_x = models.DecimalField(max_digits=6, decimal_places=3, default=100, help_text="Per cent of the width.")
    scale_y = models.DecimalField(max_digits=6, decimal_places=3, default=100, help_text="Per cent of the height.")
    is_active = models.BooleanField(default=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=Q(offset_x__range=(-20, 20), offset_y__range=(-20, 20)), name="label_printer_offset_small"
            ),
            models.CheckConstraint(
                condition=Q(scale_x__range=(95, 105), scale_y__range=(95, 105)), name="label_printer_scale_small"
            ),
            models.CheckConstraint(condition=Q(dots_per_inch__range=(150, 2400)), name="label_printer_dots"),
        ]

    def __str__(self) -> str:
        return self.name


class LabelPrint(models.Model):
    """Labels printed together: by whom, when, on which sheet, beginning where. What did not come out is taken back."""

    layout = models.ForeignKey(LabelLayout, on_delete=models.PROTECT, related_name="prints")
    printer = models.ForeignKey(LabelPrinter, on_delete=models.PROTECT, null=True, related_name="prints")
    starts_at = models.PositiveSmallIntegerField(default=1, help_text="The label of the first sheet, counted row by row from 1.")
    printed_at = models.DateTimeField()
    printed_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    taken_back_at = models.DateTimeField(null=True)
    taken_back_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-printed_at", "-pk"]
        constraints = [
            models.CheckConstraint(condition=Q(starts_at__gte=1), name="label_print_starts_on_the_sheet"),
            models.CheckConstraint(
                condition=Q(taken_back_at=None, taken_back_by=None)
                | Q(taken_back_at__gte=F("printed_at"), taken_back_by__isnull=False),
                name="label_print_taken_back_by_someone",
            ),
        ]

    def __str__(self) -> str:
        return f"Labels {self.pk}"


class PrintedLabel(models.Model):
    """One label of a print: the instrument, and the tag as it stood there, so that a label with an old tag is known."""

    label_print = models.ForeignKey(LabelPrint, on_delete=models.PROTECT, related_name="labels")
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="labels")
    asset_tag = models.CharField(max_length=20)
    place = models.PositiveSmallIntegerField(help_text="Its turn in the print, from 1.")

    class Meta:
        ordering = ["place"]
        constraints = [
            models.UniqueConstraint(fields=["label_print", "place"], name="printed_label_one_a_place"),
            models.CheckConstraint(condition=Q(place__gte=1), name="printed_label_has_a_place"),
        ]

    def __str__(self) -> str:
        return self.asset_tag
