"""What may be done with an instrument from where it is, by whom: the buttons of its page."""

from typing import Any

from django.contrib.auth.models import AnonymousUser
from django.urls import reverse

from rentals.inventory.models import Custody, Hold, Instrument
from rentals.staff.models import User
from rentals.staff.policy import may

IN_HAND = ("shelf", "bench", "school")

# By place, in order: the name of the act's address, its words, and the capability it needs.
ACTS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "shelf": (
        ("instrument_move", "Move it", "instruments.move"),
        ("instrument_lose", "It is missing", "instruments.move"),
        ("instrument_sell", "Sell it", "instruments.dispose"),
        ("instrument_retire", "Retire it", "instruments.dispose"),
    ),
    "school": (
        ("instrument_move", "Move it", "instruments.move"),
        ("instrument_lose", "It is missing", "instruments.move"),
    ),
    "lost": (
        ("instrument_find", "It was found", "instruments.move"),
        ("instrument_write_off", "Write it off", "instruments.dispose"),
    ),
    "retired": (
        ("instrument_find", "Back into use", "instruments.dispose"),
        ("instrument_sell", "Sell it", "instruments.dispose"),
    ),
    "": (("instrument_move", "Say where it is", "instruments.move"),),
}
ACTS["bench"] = ACTS["shelf"]


def list_actions(
    user: User | AnonymousUser, unit: Instrument, here: Custody | None, open_unit: Any, hold: Hold | None
) -> list[dict[str, Any]]:
    """Return the acts that the state allows and this person may do, each as label and address; the bench first."""
    place = str(here.place) if here else ""
    acts = () if open_unit else ACTS.get(place, ())
    found: list[dict[str, Any]] = []
    if may(user, "bench.work") and place in (*IN_HAND, "family"):
        found.append({"label": "Open at the bench", "url": reverse("bench", query={"tag": unit.asset_tag}), "main": True})
    found += [{"label": words, "url": reverse(name, args=[unit.pk])} for name, words, need in acts if may(user, need)]
    if place == Custody.Place.SOLD and may(user, "instruments.dispose"):
        found += [{"label": "Undo the sale", "url": reverse("sale_undo", args=[each])} for each in _open_sales(unit)]
    if place in IN_HAND and not open_unit and not hold and may(user, "instruments.hold"):
        found.append({"label": "Hold it", "url": reverse("instrument_hold", args=[unit.pk])})
    if may(user, "instruments.label") and place not in ("sold", "retired"):
        found.append({"label": "Print its label", "url": reverse("labels_print", query={"instruments": str(unit.pk)})})
    if may(user, "instruments.edit"):
        found.append({"label": "Change its facts", "url": reverse("instrument_change", args=[unit.pk])})
    return found


def _open_sales(unit: Instrument) -> list[int]:
    """Return the sale that took it away, if it was sold outside an agreement; by the name of the relation."""
    sales = Instrument._meta.get_field("fleet_sales").related_model._default_manager
    return list(sales.filter(instrument=unit, undone_at=None).values_list("pk", flat=True))
