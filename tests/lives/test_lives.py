"""Every life in the files beside this one, to the cent: as a bookkeeper's table says it, as a second opinion works it out
from what is given, and as the program lives it with its own operations on the real database.
"""

import pytest

from billing import verify
from tests.lives import tables
from tests.lives.program import Program
from tests.lives.reckoner import Reckoner

LIVES = tables.all_lives()
NAMES = [f"{life.file.removesuffix('.txt')}: {life.title}" for life in LIVES]


@pytest.mark.parametrize("life", LIVES, ids=NAMES)
def test_is_as_the_table_says(life, db):
    assert tables.written(tables.replay(life, Program(life))) == tables.written(life.tables)
    assert [(each.title, breaches) for each, breaches in verify.run_checks() if breaches] == []


@pytest.mark.parametrize("life", LIVES, ids=NAMES)
def test_is_as_a_second_opinion_says(life):
    assert tables.written(tables.replay(life, Reckoner(life))) == tables.written(life.tables)


def test_there_are_two_hundred():
    assert len(LIVES) >= 200
    assert len(set(NAMES)) == len(NAMES)
