"""Undoing a return that was taken from a bank line by mistake: the payment is as it was before, and the return stays, undone."""

import datetime

from django.db import connection, transaction

from billing import allocation, ledger
from billing.models import AutopayReturn, CardTakenBack, JournalEntry, Payment, PaymentReturn
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.staff.models import User

# What the payment paid when it came back, where those lines are still open by as much.
RESTORE = """
    INSERT INTO billing_allocation (payment_id, line_id, amount, made_at)
    SELECT DISTINCT ON (a.line_id) a.payment_id, a.line_id, a.amount, %(now)s
      FROM billing_allocation a JOIN billing_chargeline l ON l.id = a.line_id JOIN billing_charge c ON c.id = l.charge_id
     WHERE a.payment_id = %(payment)s AND a.released_at = %(released)s AND c.void_entry_id IS NULL
       AND l.amount - (SELECT coalesce(sum(x.amount), 0) FROM billing_allocation x
                        WHERE x.line_id = l.id AND x.released_at IS NULL) >= a.amount
     ORDER BY a.line_id, a.id DESC
"""


def is_told_elsewhere(returned: PaymentReturn) -> bool:
    """Tell whether a file of debits that came back, or a payout of cards, says that this payment did."""
    return (
        AutopayReturn.objects.filter(payment_return=returned).exists()
        or CardTakenBack.objects.filter(payment_return=returned).exists()
    )


@transaction.atomic
def undo_return(*, payment: Payment, reason: str, acting_user: User, now: datetime.datetime) -> JournalEntry:
    """Take a return back by an entry that names it; the payment stands again and pays what it paid. Returns the entry.

    What other money has paid meanwhile stays paid; the payment then pays what is open. Outermost, or inside the undoing of a
    match that has locked the household; not for a return that `is_told_elsewhere`. Raises PaymentReturn.DoesNotExist,
    AlreadyReversedError, MonthClosedError.
    """
    lock_one(Household.objects.filter(pk=payment.household_id))
    payment = lock_one(Payment.objects.filter(pk=payment.pk))
    returned: PaymentReturn = lock_one(PaymentReturn.objects.filter(payment=payment).select_related("entry"))
    entry = ledger.reverse_entry(
        entry=returned.entry,
        entry_on=ledger.open_day(returned.returned_on),
        reason=reason,
        acting_user=acting_user,
        now=now,
    )
    returned.payment, returned.undone_payment = None, payment
    returned.undone_at, returned.undone_by, returned.undo_entry = now, acting_user, entry
    returned.save(update_fields=["payment", "undone_payment", "undone_at", "undone_by", "undo_entry"])
    with connection.cursor() as cursor:
        cursor.execute(RESTORE, {"payment": payment.pk, "released": returned.made_at, "now": now})
    allocation.apply_credit(household_ids=[payment.household_id], now=now)
    return entry
