"""What the manager decides when a family cannot or does not pay: a hold, a recall, and the lifting of both; and the void."""

from typing import Any

from django.http import HttpRequest, HttpResponseBase
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from billing import queries as billing
from rentals.agreements import life
from rentals.agreements.changes import holds, void
from rentals.agreements.models import Agreement, LifeEvent
from rentals.agreements.moves import Move
from rentals.counter.life import operations
from rentals.counter.life.common import Screen, get_agreement, show_or_run
from rentals.counter.life.forms import LiftForm, ReasonForm, VoidForm
from rentals.runtime import clock
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import day as written
from rentals.runtime.templatetags.office import money
from rentals.staff.policy import requires

HOLD = Screen(Move.HOLD, "Put billing on hold", "Put billing on hold")
LIFT_HOLD = Screen(Move.LIFT_HOLD, "Let billing go on", "Let billing go on", template="counter/life/lift.html")
RECALL = Screen(
    Move.RECALL,
    "Recall for non-payment",
    "Recall it and write to the family",
    template="counter/life/recall.html",
    is_grave=True,
    refusals=(operations.NothingPastDueError,),
)
LIFT_RECALL = Screen(Move.LIFT_RECALL, "Lift the recall", "Lift the recall", template="counter/life/lift.html")
VOID = Screen(
    Move.VOID,
    "Void the agreement",
    "Void the agreement",
    template="counter/life/void.html",
    is_grave=True,
    refusals=(void.NotSignedTodayError, void.TakesPlaceOfAnotherError),
)


@requires("agreements.hold")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def hold(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Stop billing from today, with the reason."""
    agreement = get_agreement(agreement_id)
    form = ReasonForm(request.POST if request.method == "POST" else None, agreement=agreement)
    lead = (
        "From today no month of it is billed until you let billing go on; then you decide whether the months between are billed "
        "or forgiven. What was billed before is still owed. The family gets it in writing."
    )

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return holds.put_on_hold(agreement=agreement, reason=given["reason"], **who)

    def done(_: LifeEvent) -> str:
        return f"Billing of {agreement.number} is on hold. The family gets it in writing."

    return show_or_run(request, screen=HOLD, form=form, run=run, done=done, context={"lead": lead})


@requires("agreements.hold")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def lift_hold(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Let billing go on, and say what becomes of the months between."""
    agreement = get_agreement(agreement_id)
    shown = _skipped(agreement)
    form = LiftForm(
        request.POST if request.method == "POST" else None, agreement=agreement, is_any_skipped=bool(shown["skipped"].periods)
    )

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return holds.lift_hold(agreement=agreement, is_forgiven=given["months"] == "forgiven", **who)

    def done(event: LifeEvent) -> str:
        return f"Billing of {agreement.number} goes on. {event.note}."

    return show_or_run(request, screen=LIFT_HOLD, form=form, run=run, done=done, context=shown)


@requires("agreements.recall")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def recall(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Show what is past due, and demand the instrument back by letter."""
    agreement = get_agreement(agreement_id)
    form = ReasonForm(request.POST if request.method == "POST" else None, agreement=agreement)
    past_due = operations.sum_past_due(agreement, clock.today())
    facts = [
        {"label": "Past due on the account", "value": money(past_due)},
        {"label": "To bring it back", "value": f"The letter gives the family {holds.RECALL_DAYS} days"},
    ]

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return operations.recall_agreement(agreement=agreement, reason=given["reason"], **who)

    def done(_: LifeEvent) -> str:
        return f"{agreement.number} is recalled. The letter is in the outbox, and billing has stopped."

    hindered_by = None if past_due > ZERO else operations.NothingPastDueError(agreement)
    return show_or_run(request, screen=RECALL, form=form, run=run, done=done, context={"facts": facts}, hindered_by=hindered_by)


@requires("agreements.recall")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def lift_recall(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Let the family keep the instrument, and say what becomes of the months between."""
    agreement = get_agreement(agreement_id)
    shown = _skipped(agreement)
    form = LiftForm(
        request.POST if request.method == "POST" else None, agreement=agreement, is_any_skipped=bool(shown["skipped"].periods)
    )

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return holds.lift_recall(agreement=agreement, is_forgiven=given["months"] == "forgiven", **who)

    def done(event: LifeEvent) -> str:
        return f"The recall of {agreement.number} is lifted. {event.note}."

    return show_or_run(request, screen=LIFT_RECALL, form=form, run=run, done=done, context=shown)


def _skipped(agreement: Agreement) -> dict[str, Any]:
    """Return the open hold and the months it has kept from the bill so far."""
    open_hold, today = life.get_open_hold(agreement), clock.today()
    if open_hold is None:
        return {"skipped": holds.Skipped(()), "facts": []}
    skipped = holds.skipped_by(life.list_segments(agreement), open_hold.from_on, today)
    facts = [{"label": "Since", "value": written(open_hold.from_on)}, {"label": "Why", "value": open_hold.reason}]
    return {"skipped": skipped, "facts": facts}


@requires("agreements.void")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def void_agreement(request: HttpRequest, agreement_id: int) -> HttpResponseBase:
    """Show what is taken back and what stays on the account; void an agreement signed today."""
    agreement = get_agreement(agreement_id)
    form = VoidForm(request.POST if request.method == "POST" else None, agreement=agreement)
    taken = [billing.charge_on_account(charge) for charge in operations.list_charges(agreement)]
    paid = sum((charge.paid for charge in taken), ZERO)

    def run(given: dict[str, Any], **who: Any) -> LifeEvent:
        return operations.void_agreement(agreement=agreement, location=given.get("location"), reason=given["reason"], **who)

    def done(_: LifeEvent) -> str:
        kept = " What was paid is on the household's account: it pays what falls due next, or is refunded there." if paid else ""
        return f"{agreement.number} is void and its charges are taken back.{kept}"

    context = {"taken": taken, "paid": paid, "account_url": reverse("household", args=[agreement.household_id])}
    context["waits"] = "location" not in form.fields
    return show_or_run(
        request,
        screen=VOID,
        form=form,
        run=run,
        done=done,
        context=context,
        hindered_by=void.find_hindrance(agreement, clock.today()),
    )
