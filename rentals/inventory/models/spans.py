"""Half-open spans of time as PostgreSQL ranges, for exclusion constraints."""

from django.contrib.postgres.fields import DateTimeRangeField, RangeBoundary
from django.db.models import Func


class TsTzRange(Func):
    """`tstzrange(began, ended, '[)')`; an open end means still so."""

    function = "TSTZRANGE"
    output_field = DateTimeRangeField()


def span() -> TsTzRange:
    """The half-open span of a row with `began_at` and `ended_at`, for exclusion constraints."""
    return TsTzRange("began_at", "ended_at", RangeBoundary())
