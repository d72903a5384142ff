"""One of each way an agreement can leave or go on as another, done by the counter's own flows on the scenario's last day."""

import datetime
import uuid
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from billing import payments, purchases
from billing.models import Payment, PayoffQuote
from rentals.agreements import life, wording
from rentals.agreements.models import Agreement
from rentals.agreements.moves import Move
from rentals.agreements.operations import SignatureGiven
from rentals.counter.demo import papers
from rentals.counter.demo.history import Story
from rentals.counter.life import buying, ends, exchanging, leaving, reinstating
from rentals.inventory.models import Instrument
from rentals.staff.models import Role


def let_leave(story: Story, agreements: Iterator[Agreement]) -> None:
    """Let each happen to the first of these agreements to which it can happen."""
    acts: list[Callable[[Story, Agreement], bool]] = [
        _quote,
        _buy_by_quote,
        _buy_on_credit_that_bounces,
        _step_up,
        _return_with_a_part_missing,
        _lose_protected,
        _have_stolen,
        _destroy,
        _exchange,
        _take_up_again,
    ]
    waiting = list(acts)
    sized_up = False
    for agreement in agreements:
        if not sized_up and agreement.item.size:
            sized_up = _size_up(story, agreement)
        elif waiting and waiting[0](story, agreement):
            waiting.pop(0)
        if sized_up and not waiting:
            return


def _sent(story: Story) -> life.Sent:
    return life.Sent(uuid.UUID(int=story.chance.getrandbits(128), version=4))


def _now(story: Story) -> dict[str, Any]:
    return {"acting_user": story.shop.people[Role.SPECIALIST.value], "now": story.now, "today": story.today}


def _condition(story: Story, **found: Any) -> ends.Condition:
    return ends.Condition(**{"grade": "good", "location": story.shop.locations[0], **found})


def _signature(agreement: Agreement) -> SignatureGiven:
    return SignatureGiven(str(agreement.guardian), "typed", wording.consent_wording(), device="Counter tablet")


def _off_the_shelf(story: Story, fits: Callable[[Instrument], bool]) -> Instrument | None:
    """Take the first instrument that fits off the shelf."""
    for position, each in enumerate(story.shelf):
        if fits(each):
            return story.shelf.pop(position)
    return None


def _back_on_the_shelf(story: Story, agreement: Agreement) -> Instrument:
    unit = agreement.units.select_related("instrument__item__kind").get(role="rented", ended_at=None)
    story.shelf.append(unit.instrument)
    return unit.instrument


def _quote(story: Story, agreement: Agreement) -> bool:
    until = story.today + datetime.timedelta(days=purchases.VALID_DAYS)
    buying.quote_payoff(agreement=agreement, valid_until=until, sent=_sent(story), **_now(story))
    return True


def _buy_by_quote(story: Story, agreement: Agreement) -> bool:
    _quote(story, agreement)
    quote = PayoffQuote.objects.get(agreement=agreement)
    buying.buy(agreement=agreement, terms=buying.Terms(quote=quote), sent=_sent(story), **_now(story))
    papers.pay_what_was_bought(story, agreement)
    return True


def _buy_on_credit_that_bounces(story: Story, agreement: Agreement) -> bool:
    """The family buys, and then a payment of its rent comes back: credit that proved unpaid."""
    paid = Payment.objects.filter(household=agreement.household_id, payment_return=None, method="cheque", deposit__isnull=False)
    last = paid.filter(allocations__line__charge__agreement=agreement, allocations__released_at=None).order_by("-pk").first()
    if last is None:
        return False
    buying.buy(agreement=agreement, terms=buying.Terms(), sent=_sent(story), **_now(story))
    payments.return_payment(
        payment=last,
        reason="Insufficient funds",
        returned_on=story.today,
        acting_user=story.shop.people[Role.BOOKKEEPER.value],
        now=story.now,
    )
    return True


def _step_up(story: Story, agreement: Agreement) -> bool:
    price, kind = agreement.purchase_price.amount, agreement.item.kind_id
    better = _off_the_shelf(story, lambda each: each.item.kind_id == kind and each.item.purchase_price.amount > price)
    if better is None:
        return False
    _back_on_the_shelf(story, agreement)
    buying.step_up(agreement=agreement, better=better, condition=_condition(story), shown=None, sent=_sent(story), **_now(story))
    return True


def _return_with_a_part_missing(story: Story, agreement: Agreement) -> bool:
    parts = ends.price_parts(agreement.item.kind.family)
    missing = (ends.Missing(parts[0].part, parts[0].price or Decimal("85.00")),)
    back = leaving.GivenBack(story.today, _condition(story, grade="worn", note="Scratched at the bell", missing=missing))
    _back_on_the_shelf(story, agreement)
    leaving.take_back(agreement=agreement, back=back, sent=_sent(story), **_now(story))
    return True


def _lose(story: Story, agreement: Agreement, **facts: Any) -> bool:
    if not leaving.had_protection(agreement, story.today):
        return False
    loss = leaving.Loss(happened_on=story.today, **facts)
    leaving.report_loss(agreement=agreement, loss=loss, sent=_sent(story), **_now(story))
    return True


def _lose_protected(story: Story, agreement: Agreement) -> bool:
    return _lose(story, agreement, kind="lost", note="Left on the bus")


def _have_stolen(story: Story, agreement: Agreement) -> bool:
    return _lose(story, agreement, kind="stolen", police_report_number="26-11873", note="Taken from a car")


def _destroy(story: Story, agreement: Agreement) -> bool:
    return _lose(story, agreement, kind="destroyed", is_covered=False, note="Driven over in the garage")


def _swap(story: Story, agreement: Agreement, other: Instrument | None, move: Move) -> bool:
    if other is None:
        return False
    _back_on_the_shelf(story, agreement)
    swap = exchanging.Swap(
        move, other, agreement.monthly_protection.amount > 0, _condition(story), signature=_signature(agreement)
    )
    exchanging.swap_instrument(agreement=agreement, swap=swap, sent=_sent(story), **_now(story))
    return True


def _exchange(story: Story, agreement: Agreement) -> bool:
    item = agreement.item
    other = _off_the_shelf(story, lambda each: each.item.kind_id != item.kind_id and each.item.kind.family == item.kind.family)
    return _swap(story, agreement, other, Move.EXCHANGE)


def _size_up(story: Story, agreement: Agreement) -> bool:
    larger = {each.pk for each in exchanging.list_larger(agreement)}
    return _swap(story, agreement, _off_the_shelf(story, lambda each: each.pk in larger), Move.SIZE_UP)


def _take_up_again(story: Story, agreement: Agreement) -> bool:
    """The family brings it back, thinks again, and takes it up at the terms as signed."""
    instrument = _back_on_the_shelf(story, agreement)
    back = leaving.GivenBack(story.today, _condition(story))
    leaving.take_back(agreement=agreement, back=back, sent=_sent(story), **_now(story))
    story.shelf.remove(instrument)
    wanted = reinstating.TakeUp(instrument, agreement.monthly_protection.amount > 0, _signature(agreement))
    manager = {**_now(story), "acting_user": story.shop.people[Role.MANAGER.value]}
    reinstating.reinstate(agreement=Agreement.objects.get(pk=agreement.pk), wanted=wanted, sent=_sent(story), **manager)
    return True
