"""What rooms above add: figures that an archive and its restored copy must share, and commands that must pass on the copy.

A room writes them into its `backing.py`, which is imported when a backup is made or restored.
"""

import importlib
import importlib.util
from collections.abc import Callable
from dataclasses import dataclass

from django.apps import apps


@dataclass(frozen=True)
class Figure:
    """A name that a person understands, and a statement that gives one value as text."""

    name: str
    statement: str


@dataclass(frozen=True)
class CopyCheck:
    """A management command of the office that must end with 0 on a restored copy before that takes the old one's place."""

    command: str
    what: str
    can_be_left_out: bool = False


FIGURES: dict[str, Figure] = {}
COPY_CHECKS: dict[str, CopyCheck] = {}
SECRETS: list[Callable[[], list[bytes]]] = []
"""Each gives secrets, in every form they may be written in, that must not lie in one archive with the data they seal."""


def add_figure(name: str, statement: str) -> None:
    """Register a figure. The name must not change, or older archives are compared without it."""
    FIGURES[name] = Figure(name, statement)


def check_copy_with(command: str, what: str, *, can_be_left_out: bool = False) -> None:
    """Register a command to be run on a restored copy."""
    COPY_CHECKS[command] = CopyCheck(command, what, can_be_left_out)


def discover() -> None:
    """Import the `backing` module of every room that has one."""
    for config in apps.get_app_configs():
        if importlib.util.find_spec(f"{config.name}.backing"):
            importlib.import_module(f"{config.name}.backing")
