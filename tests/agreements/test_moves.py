"""The table of moves: what each state allows, and what a refusal says instead."""

import doctest
from itertools import product

import pytest

from rentals.agreements import moves
from rentals.agreements.models import Agreement
from rentals.agreements.moves import Move, State


def test_the_examples_in_the_docstrings():
    assert doctest.testmod(moves).failed == 0


class TestTable:
    def test_knows_every_move_and_its_words(self):
        assert set(moves.TABLE) == set(moves.WORDS) == set(Move)

    def test_knows_every_way_to_end(self):
        assert {str(state) for state in State} - set(Agreement.EndReason.values) == {str(state) for state in moves.OPEN}

    @pytest.mark.parametrize("move", [Move.EXCHANGE, Move.SIZE_UP, Move.TRANSFER, Move.CHANGE_DUE_DAY, Move.VOID])
    def test_changes_only_what_runs(self, move):
        assert moves.TABLE[move] == {State.RUNNING}

    @pytest.mark.parametrize("move", [Move.RETURN, Move.BUY, Move.REPORT_LOSS])
    def test_lets_every_open_one_end(self, move):
        assert moves.TABLE[move] == moves.OPEN

    def test_lets_nobody_do_anything_with_a_voided_one(self):
        assert moves.possible(State.VOIDED) == ()

    @pytest.mark.parametrize("state", [state for state in State if state not in moves.OPEN])
    def test_lets_none_that_ended_be_changed_exchanged_or_ended_again(self, state):
        again = {Move.RETURN, Move.BUY, Move.STEP_UP, Move.REPORT_LOSS, Move.EXCHANGE, Move.SIZE_UP, Move.TRANSFER, Move.HOLD}
        assert not again & set(moves.possible(state))


class TestCheckMove:
    @pytest.mark.parametrize(("state", "move"), list(product(State, Move)))
    def test_allows_what_the_table_allows_and_says_what_is_possible_instead(self, state, move):
        if state in moves.TABLE[move]:
            assert moves.check_move("A-000017", state, move) is None
            return
        with pytest.raises(moves.MoveNotPossibleError) as refused:
            moves.check_move("A-000017", state, move)
        said = str(refused.value)
        assert said.startswith(f"Agreement A-000017 is {state.replace('_', ' ')}: nobody can {moves.WORDS[move]} now.")
        assert all(moves.WORDS[each] in said for each in refused.value.possible)
        assert move not in refused.value.possible

    def test_reads_as_a_sentence(self):
        with pytest.raises(moves.MoveNotPossibleError) as refused:
            moves.check_move("A-000017", State.LOST, Move.BUY)
        assert str(refused.value) == (
            "Agreement A-000017 is lost: nobody can buy it now. What can be done: write it off, take a payment after "
            "the write-off or adjust what is owed."
        )

    def test_says_when_nothing_is_left_to_do(self):
        with pytest.raises(moves.MoveNotPossibleError, match="Nothing more can be done with it"):
            moves.check_move("A-000017", State.VOIDED, Move.RETURN)
