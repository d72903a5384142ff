"""How a bench is written: a room registers it in its `benches.py`, the command `bench` gives it a database of its own."""

import random
import resource
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

Report = dict[str, Any]


@dataclass(frozen=True)
class Run:
    """What a bench is told: how large (1.0 is the full size), its own chance, and where to say how far it is."""

    scale: float
    chance: random.Random
    tell: Callable[[str], None]

    def count(self, full: int) -> int:
        """Scale a number of rows, never to nothing."""
        return max(20, int(full * self.scale))


BENCHES: dict[str, Callable[[Run], Report]] = {}


def bench(name: str) -> Callable[[Callable[[Run], Report]], Callable[[Run], Report]]:
    """Register a bench. It returns at least `size`, `seconds` and `floor_seconds`; name, ratio and memory are added."""

    def register(function: Callable[[Run], Report]) -> Callable[[Run], Report]:
        BENCHES[name] = function
        return function

    return register


def complete(name: str, report: Report) -> Report:
    """Add what every report says. A ratio the bench gave itself stays."""
    ratio = report["seconds"] / report["floor_seconds"] if report["floor_seconds"] else None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"name": name, "ratio": ratio and round(ratio, 3), "peak_mb": round(peak, 1), **report}


def timed(act: Callable[[], Any]) -> float:
    """Return how many seconds something took."""
    began = time.perf_counter()
    act()
    return time.perf_counter() - began


def percentile(seconds: Sequence[float], share: int) -> float:
    """Return a percentile (50, 95) of some durations."""
    return statistics.quantiles(seconds, n=100, method="inclusive")[share - 1] if len(seconds) > 1 else seconds[0]


def in_ms(seconds: Sequence[float]) -> dict[str, float]:
    """Return the median and the 95th percentile in milliseconds."""
    return {"p50": round(percentile(seconds, 50) * 1000, 3), "p95": round(percentile(seconds, 95) * 1000, 3)}
