"""Many payments at once: the same books as one by one, all or nothing."""

from decimal import Decimal

import pytest

from billing import batches, chart, payments, queries
from billing.models import Payment, Posting
from tests.billing.factories import DAY, NOON, HouseholdFactory
from tests.factories import BookkeeperFactory

pytestmark = pytest.mark.django_db


def taken(household, method: str, amount: str, cheque: str = "") -> batches.PaymentTaken:
    return batches.PaymentTaken(household.pk, method, Decimal(amount), DAY, taken_at=NOON, cheque_number=cheque)


class TestRecordPayments:
    def test_posts_each_where_its_money_lands_and_numbers_them_in_order(self):
        first, second = HouseholdFactory(), HouseholdFactory()
        made = batches.record_payments(
            taken=[taken(first, "transfer", "20.00"), taken(second, "cheque", "30.00", "101")], acting_user=BookkeeperFactory()
        )
        assert [payment.number for payment in made] == ["P-000001", "P-000002"]
        on = {p.account_id: p.amount for p in Posting.objects.filter(amount__gt=0)}
        assert on == {chart.BANK: Decimal("20.00"), chart.UNDEPOSITED: Decimal("30.00")}
        assert queries.sum_balance(second.pk) == Decimal("-30.00")

    @pytest.mark.parametrize(
        ("bad", "error"),
        [(("cash", "0.00"), payments.AmountNotPositiveError), (("cheque", "5.00"), payments.ChequeNumberMissingError)],
    )
    def test_takes_none_when_one_is_refused(self, bad, error):
        household = HouseholdFactory()
        with pytest.raises(error):
            batches.record_payments(
                taken=[taken(household, "cash", "20.00"), taken(household, *bad)], acting_user=BookkeeperFactory()
            )
        assert not Payment.objects.exists()
