"""Two people end one agreement at the same moment: one of them does, the other is told who was faster."""

import pytest

from billing import verify
from billing.models import Purchase
from rentals.agreements.life import AgreementMovedOnError
from rentals.agreements.models import Agreement, ReturnCheck
from rentals.counter.life import buying, leaving
from tests.counter.leaving import TODAY, condition, rental, sent, shop, who

pytestmark = pytest.mark.django_db(transaction=True)


def test_one_buys_it_while_another_takes_it_back(race):
    agreement = rental(months=2, plan_version=shop())
    back = leaving.GivenBack(TODAY, condition())
    first, second = (sent(agreement), who()), (sent(agreement), who())
    outcomes = race(
        lambda: buying.buy(agreement=agreement, terms=buying.Terms(), sent=first[0], **first[1]),
        lambda: leaving.take_back(agreement=agreement, back=back, sent=second[0], **second[1]),
    )
    assert sum(isinstance(outcome, AgreementMovedOnError) for outcome in outcomes) == 1
    assert Purchase.objects.count() + ReturnCheck.objects.count() == 1
    assert Agreement.objects.get(pk=agreement.pk).end_reason in {"bought", "returned"}
    assert [found for check, found in verify.run_checks() if found and check.invariant in {4, 5, 6, 7, 8}] == []


def test_the_same_form_sent_twice_at_once_sells_once(race):
    agreement = rental(months=2, plan_version=shop())
    key, person = sent(agreement), who()

    def sell():
        return buying.buy(agreement=agreement, terms=buying.Terms(), sent=key, **person)

    first, second = race(sell, sell)
    assert first == second
    assert Purchase.objects.count() == 1
