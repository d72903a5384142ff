"""What may happen to an agreement, and in which state: the one table of moves. Pure; no database, no clock."""

from enum import StrEnum


class State(StrEnum):
    """How an agreement stands."""

    RUNNING = "running"
    ON_HOLD = "on_hold"
    RECALLED = "recalled"
    RETURNED = "returned"
    EXCHANGED = "exchanged"
    BOUGHT = "bought"
    STEPPED_UP = "stepped_up"
    LOST = "lost"
    STOLEN = "stolen"
    DESTROYED = "destroyed"
    TRANSFERRED = "transferred"
    WRITTEN_OFF = "written_off"
    VOIDED = "voided"


class Move(StrEnum):
    """What a person may do with an agreement."""

    CHANGE_DUE_DAY = "change_due_day"
    ADD_PROTECTION = "add_protection"
    DROP_PROTECTION = "drop_protection"
    EXCHANGE = "exchange"
    SIZE_UP = "size_up"
    STEP_UP = "step_up"
    QUOTE_PAYOFF = "quote_payoff"
    BUY = "buy"
    RETURN = "return"
    REPORT_LOSS = "report_loss"
    TRANSFER = "transfer"
    CHANGE_SCHOOL = "change_school"
    SHARE_PAYMENT = "share_payment"
    HOLD = "hold"
    LIFT_HOLD = "lift_hold"
    RECALL = "recall"
    LIFT_RECALL = "lift_recall"
    WRITE_OFF = "write_off"
    RECOVER = "recover"
    REINSTATE = "reinstate"
    VOID = "void"
    ADJUST = "adjust"


WORDS: dict[Move, str] = {
    Move.CHANGE_DUE_DAY: "change the due day",
    Move.ADD_PROTECTION: "add protection",
    Move.DROP_PROTECTION: "drop protection",
    Move.EXCHANGE: "exchange it for another kind",
    Move.SIZE_UP: "size up",
    Move.STEP_UP: "buy a better one with the credit",
    Move.QUOTE_PAYOFF: "quote the price to buy",
    Move.BUY: "buy it",
    Move.RETURN: "bring it back",
    Move.REPORT_LOSS: "report it lost, stolen or destroyed",
    Move.TRANSFER: "transfer it to another guardian",
    Move.CHANGE_SCHOOL: "change the school",
    Move.SHARE_PAYMENT: "share the payments",
    Move.HOLD: "put billing on hold",
    Move.LIFT_HOLD: "let billing go on",
    Move.RECALL: "recall it for non-payment",
    Move.LIFT_RECALL: "lift the recall",
    Move.WRITE_OFF: "write it off",
    Move.RECOVER: "take a payment after the write-off",
    Move.REINSTATE: "reinstate it",
    Move.VOID: "void it, on the day it was signed",
    Move.ADJUST: "adjust what is owed",
}

OPEN = frozenset({State.RUNNING, State.ON_HOLD, State.RECALLED})
_AT_HOME = frozenset({State.RUNNING, State.ON_HOLD})
_ALL = frozenset(State)

TABLE: dict[Move, frozenset[State]] = {
    Move.CHANGE_DUE_DAY: frozenset({State.RUNNING}),
    Move.ADD_PROTECTION: frozenset({State.RUNNING}),
    Move.DROP_PROTECTION: _AT_HOME,
    Move.EXCHANGE: frozenset({State.RUNNING}),
    Move.SIZE_UP: frozenset({State.RUNNING}),
    Move.STEP_UP: _AT_HOME,
    Move.QUOTE_PAYOFF: OPEN,
    Move.BUY: OPEN,
    Move.RETURN: OPEN,
    Move.REPORT_LOSS: OPEN,
    Move.TRANSFER: frozenset({State.RUNNING}),
    Move.CHANGE_SCHOOL: _AT_HOME,
    Move.SHARE_PAYMENT: OPEN,
    Move.HOLD: frozenset({State.RUNNING}),
    Move.LIFT_HOLD: frozenset({State.ON_HOLD}),
    Move.RECALL: _AT_HOME,
    Move.LIFT_RECALL: frozenset({State.RECALLED}),
    Move.WRITE_OFF: frozenset(
        {
            *(State.RECALLED, State.RETURNED, State.LOST, State.STOLEN, State.DESTROYED, State.BOUGHT, State.STEPPED_UP),
            State.WRITTEN_OFF,  # again, when what was paid after all came back from the bank
        }
    ),
    Move.RECOVER: frozenset(
        {State.WRITTEN_OFF, State.RETURNED, State.LOST, State.STOLEN, State.DESTROYED, State.BOUGHT, State.STEPPED_UP}
    ),
    Move.REINSTATE: frozenset({State.RETURNED, State.WRITTEN_OFF}),
    Move.VOID: frozenset({State.RUNNING}),
    Move.ADJUST: _ALL - {State.VOIDED},
}


class MoveNotPossibleError(Exception):
    """The state of the agreement does not allow this; `possible` is what it does allow."""

    def __init__(self, number: str, state: State, move: Move) -> None:
        self.state, self.move, self.possible = state, move, possible(state)
        instead = _listed([WORDS[each] for each in self.possible])
        super().__init__(
            f"Agreement {number} is {state.replace('_', ' ')}: nobody can {WORDS[move]} now. "
            + (f"What can be done: {instead}." if instead else "Nothing more can be done with it.")
        )


NEED_INSTRUMENT = frozenset({Move.STEP_UP, Move.QUOTE_PAYOFF, Move.BUY, Move.REPORT_LOSS, Move.RECALL})
"""Moves of an instrument that the family has: none of them is possible while it still waits for it."""


class WaitsForInstrumentError(MoveNotPossibleError):
    """The family has not got its instrument yet."""

    def __init__(self, number: str, state: State, move: Move) -> None:
        super().__init__(number, state, move)
        self.args = (
            f"The family still waits for the instrument of {number}: nobody can {WORDS[move]} before it has one. "
            "Assign one, exchange it for another model, or end the agreement.",
        )


def possible(state: State) -> tuple[Move, ...]:
    """Return the moves a state allows, in the order of the table.

    >>> [str(move) for move in possible(State.ON_HOLD)][-3:]
    ['lift_hold', 'recall', 'adjust']
    """
    return tuple(move for move in Move if state in TABLE[move])


def check_move(number: str, state: State, move: Move) -> None:
    """Raise MoveNotPossibleError unless an agreement in this state may be moved so. `number` names it in the sentence."""
    if state not in TABLE[move]:
        raise MoveNotPossibleError(number, state, move)


def _listed(words: list[str]) -> str:
    return ", ".join(words[:-1]) + (" or " if len(words) > 1 else "") + words[-1] if words else ""
