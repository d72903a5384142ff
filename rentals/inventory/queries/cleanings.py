"""When an annual cleaning is due, asked of the database: one rule for the bench, the school and the family's reminder."""

import datetime
from typing import Any

from django.db.models import DateField, F, FilteredRelation, Func, Q, QuerySet
from django.db.models.functions import Coalesce, Greatest

from rentals.inventory.models import Instrument

IN_USE = ["shelf", "bench", "van", "family", "school"]


class AYearLater(Func):
    """The same day a year later; 29 February becomes the 28th, as `rules.cleaning_due_on` has it."""

    template = "CAST(%(expressions)s + INTERVAL '1 year' AS date)"
    output_field = DateField()


def cleaning_due_on(*, last_cleaned_on: str, rented_since: str, acquired_on: str) -> AYearLater:
    """Give `rules.cleaning_due_on` as an expression over these three columns.

    PostgreSQL's GREATEST passes over what is null, so an instrument that nobody rents counts from its last cleaning alone.
    """
    return AYearLater(Coalesce(Greatest(F(last_cleaned_on), F(rented_since)), F(acquired_on)))


def with_cleaning_due(rows: QuerySet[Instrument]) -> QuerySet[Any]:
    """Add `rented_unit` (the row that puts it on an open agreement, as the rented one) and `cleaning_due_on` to instruments.

    Agreements are named by their relation: this room may not import them, and at most one is open for an instrument.
    """
    rented = FilteredRelation("agreement_units", condition=Q(agreement_units__ended_at=None, agreement_units__role="rented"))
    due = cleaning_due_on(
        last_cleaned_on="last_cleaned_on", rented_since="rented_unit__agreement__starts_on", acquired_on="acquired_on"
    )
    return rows.annotate(rented_unit=rented).annotate(cleaning_due_on=due)


def list_cleanings_due(on: datetime.date) -> QuerySet[Any]:
    """Return the instruments in use whose annual cleaning is due on or before a day, with `cleaning_due_on`, oldest first."""
    from rentals.inventory.queries import list_instruments

    rows: Any = list_instruments()
    found = with_cleaning_due(rows.filter(here__place__in=IN_USE))
    return found.filter(cleaning_due_on__lte=on).order_by("cleaning_due_on", "asset_tag")
