"""The acts on an agreement's page: those its state allows, this person may do, and that have a screen. No writes.

A move's screen is the address named `agreement_<move>` with the argument `agreement_id`; its view says who may open it. So a
new screen shows up here by its name alone.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from django.urls import NoReverseMatch, resolve, reverse

from billing import queries, write_offs
from rentals.agreements import promises, rules
from rentals.agreements.changes import void
from rentals.agreements.models import Agreement
from rentals.agreements.moves import NEED_INSTRUMENT, Move, State, possible
from rentals.agreements.periods import Segment
from rentals.inventory.rules import list_larger_sizes
from rentals.staff.models import User
from rentals.staff.policy import may

GROUPS: dict[str, tuple[Move, ...]] = {
    "Change": (
        Move.CHANGE_DUE_DAY,
        Move.ADD_PROTECTION,
        Move.DROP_PROTECTION,
        Move.CHANGE_SCHOOL,
        Move.EXCHANGE,
        Move.SIZE_UP,
        Move.TRANSFER,
    ),
    "Leave": (Move.RETURN, Move.QUOTE_PAYOFF, Move.BUY, Move.STEP_UP, Move.REPORT_LOSS, Move.REINSTATE),
    "Money": (Move.SHARE_PAYMENT, Move.ADJUST, Move.RECOVER),
    "Manager": (Move.HOLD, Move.LIFT_HOLD, Move.RECALL, Move.LIFT_RECALL, Move.WRITE_OFF, Move.VOID),
}
LABELS: dict[Move, str] = {
    Move.CHANGE_DUE_DAY: "Change the due day",
    Move.ADD_PROTECTION: "Add protection",
    Move.DROP_PROTECTION: "Drop protection",
    Move.EXCHANGE: "Exchange for another kind",
    Move.SIZE_UP: "Size up",
    Move.STEP_UP: "Step up to a better one",
    Move.QUOTE_PAYOFF: "Quote the price to buy",
    Move.BUY: "Buy it",
    Move.RETURN: "Take it back",
    Move.REPORT_LOSS: "Report a loss",
    Move.TRANSFER: "Transfer to another guardian",
    Move.CHANGE_SCHOOL: "Change the school",
    Move.SHARE_PAYMENT: "Share the payments",
    Move.HOLD: "Put billing on hold",
    Move.LIFT_HOLD: "Let billing go on",
    Move.RECALL: "Recall for non-payment",
    Move.LIFT_RECALL: "Lift the recall",
    Move.WRITE_OFF: "Write off",
    Move.RECOVER: "Take a payment after the write-off",
    Move.REINSTATE: "Reinstate",
    Move.VOID: "Void, signed by mistake today",
    Move.ADJUST: "Adjust what is owed",
}
WAITING_LABELS: dict[Move, str] = {
    Move.RETURN: "End it without an instrument",
    Move.EXCHANGE: "Take another model",
    Move.SIZE_UP: "Take a larger one",
}
"""What some are called while the family still waits for its instrument."""
STATUS: dict[State, tuple[str, str]] = {
    State.RUNNING: ("Running", "good"),
    State.ON_HOLD: ("Billing on hold", "warn"),
    State.RECALLED: ("Recalled", "bad"),
    State.LOST: ("Lost", "bad"),
    State.STOLEN: ("Stolen", "bad"),
    State.DESTROYED: ("Destroyed", "bad"),
    State.WRITTEN_OFF: ("Written off", "bad"),
}


@dataclass(frozen=True)
class Act:
    """One thing to do, and where."""

    label: str
    url: str


def status_of(state: State) -> dict[str, str]:
    """Say how an agreement stands, with a tone."""
    word, tone = STATUS.get(state, (state.replace("_", " ").capitalize(), "quiet"))
    return {"word": word, "tone": tone}


def screen_of(move: Move, agreement: Agreement, user: User) -> str | None:
    """Return the address of a move's screen; None when it has none, or this person may not open it."""
    try:
        url = reverse(f"agreement_{move}", kwargs={"agreement_id": agreement.pk})
    except NoReverseMatch:
        return None
    capability = getattr(resolve(url).func, "capability", None)
    return url if capability is None or may(user, capability) else None


def list_acts(
    agreement: Agreement, *, state: State, segments: tuple[Segment, ...], user: User, today: date
) -> list[tuple[str, list[Act]]]:
    """List what this person may do with an agreement in its state, by group; groups without an act are left out."""
    waits = promises.is_waiting(agreement)
    allowed = set(possible(state)) - (NEED_INSTRUMENT if waits else frozenset())
    groups = []
    for name, moves in GROUPS.items():
        acts = []
        for move in moves:
            fits = FITS.get(move)
            if move not in allowed or (fits is not None and not fits(agreement, segments, today)):
                continue
            url = screen_of(move, agreement, user)
            if url is not None:
                acts.append(Act(WAITING_LABELS.get(move, LABELS[move]) if waits else LABELS[move], url))
        if acts:
            groups.append((name, acts))
    return groups


def has_protection(segments: tuple[Segment, ...]) -> bool:
    """Tell whether the months to come bill protection."""
    return bool(segments) and segments[-1].protection > 0


def _lives_on(agreement: Agreement, _: tuple[Segment, ...], today: date) -> bool:
    """Tell whether an ended agreement still has its credit, and nothing has taken its place."""
    assert agreement.ended_on is not None
    until = rules.credit_lives_until(agreement.ended_on, agreement.plan_version.credit_lives_months)
    return today <= until and not Agreement.objects.filter(follows=agreement).exists()


FITS: dict[Move, Callable[[Agreement, tuple[Segment, ...], date], bool]] = {
    Move.ADD_PROTECTION: lambda _, segments, __: not has_protection(segments),
    Move.DROP_PROTECTION: lambda agreement, segments, _: (
        has_protection(segments) and not agreement.plan_version.protection_required
    ),
    Move.SIZE_UP: lambda agreement, _, __: bool(list_larger_sizes(agreement.item.kind_id, agreement.item.size)),
    Move.VOID: lambda agreement, _, today: void.find_hindrance(agreement, today) is None,
    Move.RECALL: lambda agreement, _, today: queries.sum_open_lines(agreement.household_id, due_through=today) > 0,
    Move.REINSTATE: _lives_on,
    Move.WRITE_OFF: lambda agreement, _, __: write_offs.sum_open_of_agreement(agreement) > 0,
    Move.RECOVER: lambda agreement, _, __: write_offs.list_write_offs(agreement.household).filter(agreement=agreement).exists(),
}
"""What else must be so, beside the state, for an act to be offered at all."""
