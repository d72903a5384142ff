"""Spreadsheets of instruments: on their way in, and taken in."""

import pghistory
from django.db import models


@pghistory.track()
class FleetImport(models.Model):
    """A spreadsheet of instruments taken in whole, with the mapping of its columns."""

    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64, unique=True)
    mapping = models.JSONField()
    row_count = models.PositiveIntegerField()
    imported_at = models.DateTimeField()
    imported_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return self.file_name


class ImportDraft(models.Model):
    """A spreadsheet on its way in: what was read from it, and how its columns are understood so far."""

    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    header = models.JSONField(help_text="The file's column names, in order.")
    rows = models.JSONField(help_text="The cells below the header as text, row by row.")
    mapping = models.JSONField(default=dict, help_text="Our column to the number of theirs.")
    settings = models.JSONField(default=dict, help_text="What holds for rows that leave it out: the location.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    taken_in = models.OneToOneField(FleetImport, on_delete=models.PROTECT, null=True, related_name="draft")

    class Meta:
        indexes = [models.Index(fields=["sha256"], name="import_draft_file")]

    def __str__(self) -> str:
        return self.file_name
