"""The sheets and rolls an office begins with; it adds its own."""

import csv
from typing import Any

from rentals.inventory.reference import DATA


def ensure_layouts(**_: Any) -> None:
    """Write the first layouts after a migration, where there is none yet; what the office changed stays as it is."""
    from rentals.inventory.models import LabelLayout

    if LabelLayout.objects.exists():
        return
    with (DATA / "label_layouts.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    LabelLayout.objects.bulk_create([LabelLayout(**row) for row in rows])
