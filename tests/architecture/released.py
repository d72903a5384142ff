"""The released state: the last migrations of every app of ours when the code was released, in `tests/data/released.json`.

`python3 -m tests.architecture.released` writes it anew, last in a release (before the first one, at any time).
"""

import json
from pathlib import Path
from typing import Any

from django.db.migrations.loader import MigrationLoader

from rentals.runtime.bootstrap import PROJECT

FILE = PROJECT / "tests" / "data" / "released.json"


def is_ours(migration: Any) -> bool:
    """Return whether a migration stands in this project and not in a library."""
    return str(migration.__module__).partition(".")[0] in {"rentals", "billing", "schools"}


def newest(loader: MigrationLoader) -> dict[str, list[str]]:
    """Return the last migrations of each app of ours, as the code is now."""
    found: dict[str, list[str]] = {}
    for app, name in sorted(loader.graph.leaf_nodes()):
        if is_ours(loader.disk_migrations[app, name]):
            found.setdefault(app, []).append(name)
    return found


def unreleased(loader: MigrationLoader, released: dict[str, list[str]]) -> list[Any]:
    """Return the migrations of ours that came after a released state, in their order."""
    ends = [(app, name) for app, names in released.items() for name in names]
    before = {node for end in ends for node in loader.graph.forwards_plan(end)}
    plan = loader.graph._generate_plan(loader.graph.leaf_nodes(), at_end=True)
    return [loader.graph.nodes[node] for node in plan if node not in before and is_ours(loader.graph.nodes[node])]


def read(path: Path = FILE) -> dict[str, list[str]]:
    """Read the released state."""
    return dict(json.loads(path.read_text()))


if __name__ == "__main__":
    import django

    django.setup()
    FILE.write_text(json.dumps(newest(MigrationLoader(None, ignore_no_migrations=True)), indent=1) + "\n")
