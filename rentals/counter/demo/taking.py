"""The demo's takings: every past day is counted down, the last one with cash a little short; today's are open."""

from decimal import Decimal

from django.db import connection

from billing import deposits
from billing.models import Payment, Taking
from billing.taking import operations, queries, slips
from rentals.counter.demo.history import Story
from rentals.staff.models import Role

# What a count of each day says when nothing is over or short, an hour after the shop closed.
COUNT_ALL = """
INSERT INTO billing_takingcount (taking_id, pieces, counted_cash, taken_cash, paid_back, banked, difference, cheque_count,
       cheque_sum, reason, needs_second, counted_at, counted_by_id, closed_at, closed_by_id, reopen_reason)
SELECT t.id, '{}', greatest(s.cash - b.back - s.banked, 0), s.cash, b.back, s.banked, 0, s.many, s.cheques, '', false,
       t.day + interval '23 hours', t.person_id, t.day + interval '23 hours', t.person_id, ''
  FROM billing_taking t,
       LATERAL (SELECT coalesce(sum(p.amount) FILTER (WHERE p.method = 'cash' AND r.kind IS DISTINCT FROM 'mistake'), 0) AS cash,
                       coalesce(sum(p.amount) FILTER (WHERE p.method = 'cash' AND p.deposit_id IS NOT NULL), 0) AS banked,
                       coalesce(sum(p.amount) FILTER (WHERE p.method = 'cheque' AND p.deposit_id IS NULL AND r.id IS NULL), 0)
                         AS cheques,
                       count(*) FILTER (WHERE p.method = 'cheque' AND p.deposit_id IS NULL AND r.id IS NULL) AS many
                  FROM billing_payment p LEFT JOIN billing_paymentreturn r ON r.payment_id = p.id WHERE p.taking_id = t.id) s,
       LATERAL (SELECT coalesce(sum(l.amount), 0) AS back FROM billing_refund f JOIN billing_charge c ON c.id = f.charge_id
                  JOIN billing_chargeline l ON l.charge_id = c.id WHERE f.taking_id = t.id AND c.void_entry_id IS NULL) b
 WHERE t.day < %s AND NOT t.id = ANY(%s) AND NOT EXISTS (SELECT FROM billing_takingcount c WHERE c.taking_id = t.id)
"""
SHORT = Decimal("0.50")


def count_days_down(story: Story) -> None:
    """Close what lies behind; the last day with cash on hand by hand, half a dollar short, and bring it to the bank."""
    with_cash = Taking.objects.filter(
        day__lt=story.today, payments__method="cash", payments__deposit=None, payments__payment_return=None
    )
    last = with_cash.select_related("person").order_by("day", "pk").last()
    with connection.cursor() as cursor:
        cursor.execute(COUNT_ALL, [story.today, [last.pk] if last else []])
    if last is None:
        return
    expected = queries.get_expected(last)
    cents = int((expected.cash - SHORT) * 100)
    pieces = {2000: cents // 2000, 100: cents % 2000 // 100, 1: cents % 100}
    counted = operations.CountedDown(pieces, frozenset(each.pk for each in expected.cheques), "A coin roll was short")
    operations.count_down(taking=last, counted=counted, acting_user=last.person, now=story.at(last.day, 19))
    _bring_to_bank(story, last)


def _bring_to_bank(story: Story, taking: Taking) -> None:
    """Deposit that day and print its slip."""
    on_hand = Payment.objects.filter(taking=taking, deposit=None, payment_return=None)
    deposit = deposits.make_deposit(
        payments=list(on_hand),
        deposited_on=story.today,
        acting_user=story.shop.people[Role.BOOKKEEPER.value],
        now=story.now,
    )
    slips.ask_for_slip(deposit=deposit, now=story.now)
