"""Signing a family up in one transaction: student, agreement, first charges, first payment. Everything happens, or nothing."""

import dataclasses
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from uuid import UUID, uuid5

from django.db import transaction
from django.db.models import Sum

from billing import charges, payments
from billing.models import Charge, ChargeLine, Payment
from rentals.agreements import life
from rentals.agreements import operations as agreements
from rentals.agreements.models import Agreement, LifeEvent, SignUpDraft
from rentals.families import operations as families
from rentals.runtime import locks
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money
from rentals.staff.models import User
from rentals.staff.policy import may, require


class FirstPaymentTooSmallError(Exception):
    """Less was paid than is due today, and the person at the counter may not agree to that."""

    def __init__(self, due: Decimal, paid: Decimal) -> None:
        self.due, self.paid = due, paid
        super().__init__(f"{money(due)} is due today and {money(paid)} was given. A manager can agree to less.")


@dataclass(frozen=True)
class FirstPayment:
    """What the family paid at signing; an amount of nothing makes no payment."""

    method: str
    amount: Decimal
    cheque_number: str = ""
    less_agreed: bool = False
    """It is agreed that less is paid now: by a manager, not the person who took the money, or because of a sign-up night
    the family pays by card or bank account afterwards."""


@transaction.atomic
def complete_sign_up(
    *, draft: SignUpDraft, signup: agreements.SignUp, payment: FirstPayment, acting_user: User, now: datetime, today: date
) -> Agreement:
    """Sign the agreement of a draft, bill the first month and the goods, and take the first payment; return the agreement.

    A student without a primary key is written down first. Sent again, the same draft gives the same agreement and makes nothing.
    Outermost. Raises what `sign_agreement` raises, FirstPaymentTooSmallError, and PermissionDenied.
    """
    require(acting_user, "agreements.sign")
    locked: SignUpDraft = locks.lock_one(SignUpDraft.objects.filter(pk=draft.pk))
    if locked.agreement_id is not None:
        return Agreement.objects.get(pk=locked.agreement_id)
    signup = _with_student(signup, acting_user)
    agreement = agreements.sign_agreement(signup=signup, acting_user=acting_user, now=now, today=today)
    made = charges.bill_begun(agreement=agreement, through=agreement.starts_on, acting_user=acting_user, now=now)
    if any(product.price.amount for product, _ in signup.goods):
        made.append(_charge_goods(agreement, signup, acting_user, now))
    due = _sum_lines(made)
    if payment.amount < due and not (payment.less_agreed or may(acting_user, "agreements.defer_payment")):
        raise FirstPaymentTooSmallError(due, payment.amount)
    if payment.amount > 0:
        taken = payments.record_payment(
            household=signup.household,
            method=payment.method,
            cheque_number=payment.cheque_number,
            amount=payment.amount,
            received_on=today,
            acting_user=acting_user,
            now=now,
            request_key=payment_key(draft.pk),
        )
        life.note_event(
            agreement=agreement,
            kind=LifeEvent.Kind.FIRST_PAYMENT,
            on=today,
            acting_user=acting_user,
            now=now,
            note=f"{money(payment.amount)}, receipt {taken.number}",
            detail={"payment": taken.pk},
        )
    locked.agreement, locked.data, locked.updated_at = agreement, {}, now
    locked.save(update_fields=["agreement", "data", "updated_at"])
    return agreement


def payment_key(draft_id: UUID) -> UUID:
    """Return the request key of the first payment of a sign-up."""
    return uuid5(draft_id, "first payment")


def get_first_payment(agreement: Agreement) -> Payment | None:
    """Return the payment taken at signing, None when nothing was paid."""
    return Payment.objects.filter(household_id=agreement.household_id, taken_at=agreement.signed_at).order_by("pk").first()


def _with_student(signup: agreements.SignUp, acting_user: User) -> agreements.SignUp:
    student = signup.student
    if student.pk:
        return signup
    added = families.add_student(
        household=signup.household,
        given_name=student.given_name,
        family_name=student.family_name,
        grade=student.grade,
        programme=signup.programme,
        acting_user=acting_user,
    )
    return dataclasses.replace(signup, student=added)


def _charge_goods(agreement: Agreement, signup: agreements.SignUp, acting_user: User, now: datetime) -> Charge:
    return charges.charge_goods(
        household=signup.household,
        on=signup.starts_on,
        goods=[
            charges.Goods(product.name if count == 1 else f"{count} × {product.name}", product.price.amount * count)
            for product, count in signup.goods
        ],
        tax_area=agreement.tax_area,
        agreement=agreement,
        acting_user=acting_user,
        now=now,
    )


def _sum_lines(made: list[Charge]) -> Decimal:
    return ChargeLine.objects.filter(charge__in=made).aggregate(total=Sum("amount"))["total"] or ZERO
