"""Where schools, households and shops lie: coordinates that a person writes down, never looked up outside."""

import datetime
import re
from decimal import Decimal
from typing import Any

from django.db import transaction

from rentals.inventory.models import Location
from rentals.staff.models import User
from schools.models import School, Spot, Stop
from schools.routing import Point

WRITTEN = re.compile(
    r"^\s*\(?\s*([+-]?\d{1,3}(?:\.\d{1,12})?)\s*°?\s*([NS])?\s*[,;\s]\s*([+-]?\d{1,3}(?:\.\d{1,12})?)\s*°?\s*([EW])?\s*\)?\s*$",
    re.I,
)


class SpotUnreadError(ValueError):
    """What was written is no pair of coordinates."""

    def __init__(self, written: str, why: str = "") -> None:
        said = " ".join(written.split())[:40]
        super().__init__(
            why or f"“{said}” is no pair of coordinates: write latitude and longitude in degrees, like 40.1106, -88.2073."
        )


def read_spot(written: str) -> tuple[Decimal, Decimal]:
    """Read latitude and longitude in decimal degrees as typed or pasted from a map, to five places (about a metre).

    >>> read_spot("40.1106, -88.2073")
    (Decimal('40.11060'), Decimal('-88.20730'))
    >>> read_spot("40.1106° N, 88.2073° W")
    (Decimal('40.11060'), Decimal('-88.20730'))

    Raises SpotUnreadError.
    """
    match = WRITTEN.match(written.replace("\u2212", "-"))
    if match is None:
        raise SpotUnreadError(written)
    latitude, longitude = Decimal(match[1]), Decimal(match[3])
    latitude = -latitude if (match[2] or "").upper() == "S" else latitude
    longitude = -longitude if (match[4] or "").upper() == "W" else longitude
    if abs(latitude) > 90:
        raise SpotUnreadError(written, f"Latitude lies between -90 and 90, not at {latitude}: is longitude written first?")
    if abs(longitude) > 180:
        raise SpotUnreadError(written, f"Longitude lies between -180 and 180, not at {longitude}.")
    return latitude.quantize(Decimal("0.00001")), longitude.quantize(Decimal("0.00001"))


@transaction.atomic
def write_spot(*, of: Any, latitude: Decimal, longitude: Decimal, acting_user: User, now: datetime.datetime) -> Spot:
    """Write down where a school, a shop or a household (`of`) lies; what was written before is replaced."""
    name = "school" if isinstance(of, School) else "location" if isinstance(of, Location) else "household"
    facts = {"latitude": latitude, "longitude": longitude, "written_at": now, "written_by": acting_user}
    spot, _is_new = Spot.objects.update_or_create(**{name: of}, defaults=facts)
    return spot


def point_at(place: Any) -> Point | None:
    """Return where a school, household or shop lies, None when nobody wrote it down."""
    spot = getattr(place, "spot", None) if place is not None else None
    return Point(float(spot.latitude), float(spot.longitude)) if spot else None


def point_of(stop: Stop) -> Point | None:
    """Return where a stop lies; a place of work has no point, because only its address was written down."""
    return None if stop.kind == Stop.Kind.WORK else point_at(stop.school or stop.household)
