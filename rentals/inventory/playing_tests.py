"""What is tried before an instrument leaves the bench, by family. Common practice, no source; the technician's ear decides."""

from rentals.inventory.models import Instrument, InstrumentKind, WorkOrder

Family = InstrumentKind.Family
POINTS: dict[str, tuple[str, ...]] = {
    Family.WOODWIND: (
        "It holds air: no leak in either hand",
        "It speaks from its lowest to its highest note, softly too",
        "Every key moves freely and comes back",
        "It is in tune with itself",
        "Nothing rattles, and nothing on it is sharp",
    ),
    Family.BRASS: (
        "It holds air: no leak at a joint or water key",
        "Valves or slide run freely, and the tuning slides move",
        "It speaks from its lowest to its highest note",
        "It is in tune with itself",
        "Nothing rattles, and the mouthpiece comes out by hand",
    ),
    Family.STRING: (
        "Bridge and soundpost stand, and the strings lie well over the board",
        "The pegs turn and hold, and the fine tuners move",
        "Every string speaks, and nothing buzzes when it is bowed",
        "It stays in tune while it is played",
        "The bow tightens and loosens",
    ),
    Family.PERCUSSION: (
        "Nothing buzzes or is loose when it is struck",
        "Every bar or head sounds clean",
        "The stand stands, and every screw holds",
        "Sticks, mallets and pad are with it",
    ),
}
CLEANING_POINTS = ("It is clean inside and out, and dry", "It is together again, and plays")


def list_points(order: WorkOrder, instrument: Instrument) -> tuple[str, ...]:
    """Return the points of the playing test that fits an order on an instrument (with its kind at hand)."""
    if order.kind == WorkOrder.Kind.CLEANING:
        return CLEANING_POINTS
    return POINTS[instrument.item.kind.family]
