"""What a scanned code means: an instrument by its tag, else by its serial number."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from rentals.inventory import rules, scan_rules
from rentals.inventory.models import Instrument
from rentals.inventory.queries import list_instruments


@dataclass(frozen=True)
class Scanned:
    """A code as read, and the instruments it may mean: none, one, or several that share a serial number."""

    code: str
    instruments: list[Instrument] = field(default_factory=list)

    @property
    def instrument(self) -> Instrument | None:
        """The one it means, None where there is none or a choice."""
        return self.instruments[0] if len(self.instruments) == 1 else None


def find_scanned(scanned: str) -> Scanned:
    """Return what one scan means, the instruments with item, kind and open custody (`here`). At most two queries."""
    code = scan_rules.read_code(scanned)
    tag = _as_tag(code)
    found = list(list_instruments().filter(asset_tag=tag)) if tag else []
    if not found and code:
        found = list(list_instruments().filter(serial_number=code).order_by("asset_tag")[:20])
    return Scanned(code, found)


def match_codes(codes: Iterable[str]) -> dict[str, list[int]]:
    """Return the ids of the instruments that each code (as `read_code` gives it) means, for many codes in two queries."""
    tags = {code: tag for code in codes if (tag := _as_tag(code))}
    by_tag = dict(Instrument.objects.filter(asset_tag__in=set(tags.values())).values_list("asset_tag", "pk"))
    meant = {code: [by_tag[tag]] for code, tag in tags.items() if tag in by_tag}
    rest = {code for code in codes if code and code not in meant}
    if rest:
        for serial, pk in Instrument.objects.filter(serial_number__in=rest).order_by("pk").values_list("serial_number", "pk"):
            meant.setdefault(serial, []).append(pk)
    return meant


def _as_tag(code: str) -> str:
    try:
        return rules.normalise_tag(code)
    except rules.BadAssetTagError:
        return ""
