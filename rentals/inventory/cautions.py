"""What to mind where the work is done, in one place: shown at the act, never instead of the label, local rules or training.

None of it is medical or safety advice. The hygiene words follow the guidance of music educators' associations of 2020 (clean
first, then disinfect; extra liquid harms wood) and Marshall & Levy, Int J Environ Health Res 2011 21:275 (played instruments
carry live bacteria and mould, reeds most). The others say what labels and workplace rules commonly ask: no source.
"""

from collections.abc import Collection
from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """One caution: the kind of rule it defers to, as components/caution.html knows it, and one or two sentences."""

    about: str
    text: str


MOUTHPIECES = Caution(
    "hygiene",
    "Reeds are never shared: throw used ones away. A mouthpiece is cleaned first, then disinfected, before each new player; "
    "keep extra liquid off wood.",
)
STRINGS = Caution(
    "hygiene",
    "Wipe chin rest and neck with a cloth that is only damp, and a fresh one for each: liquid and solvents harm varnish.",
)
MIXING = Caution(
    "bench",
    "Never mix two cleaning products, and never pour one after the other: bleach with an acid or with ammonia gives a poisonous "
    "gas. Use solvents, degreasers and disinfectants with fresh air and gloves, away from any flame.",
)
FINISH = Caution(
    "bench",
    "Old lacquer, paint and solder can hold lead. Do not sand, buff or burn off a finish you do not know: its dust harms. "
    "Leave it to whoever is trained and has the mask and the extraction for it.",
)
OILS = Caution(
    "bench",
    "Valve, slide and key oils are harmful when swallowed: keep them from children, wipe what touches the mouth, and put oily "
    "rags into a closed metal can.",
)
MOULD = Caution(
    "bench",
    "Mouldy or musty: close the case and set it apart. Do not blow or brush it out dry; whoever has asthma or an allergy "
    "leaves it to others. A lining that does not come clean is replaced.",
)
HYGIENE = MOUTHPIECES.text + " This list makes no medical claim."

WIND = {"woodwind", "brass"}


def for_cleaning(families: Collection[str]) -> list[Caution]:
    """Return what to mind at the cleaning of instruments of these families, the most common danger first."""
    wind = WIND & set(families)
    found = [MOUTHPIECES] if wind else []
    if "string" in families:
        found.append(STRINGS)
    found.append(MIXING)
    if wind:
        found.append(OILS)
    return [*found, MOULD]


def for_repair(family: str) -> list[Caution]:
    """Return what to mind at a repair of an instrument of this family."""
    found = [FINISH, MIXING] if family in {"brass", "woodwind", "percussion"} else [MIXING]
    return [*found, OILS] if family == "brass" else found
