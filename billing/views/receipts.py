"""Asking for the receipt of a payment."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_POST

from billing.models import Payment
from billing.receipts import NoReceiptForReturnedPaymentError, ask_for_receipt
from rentals.runtime import clock
from rentals.staff.policy import requires


@requires("payments.take")
@require_POST
def payment_receipt(request: HttpRequest, payment_id: int) -> HttpResponseBase:
    """Have the receipt made, and go to it."""
    found = get_object_or_404(Payment.objects.select_related("household", "payment_return", "taken_by"), pk=payment_id)
    try:
        document = ask_for_receipt(payment=found, now=clock.now())
    except NoReceiptForReturnedPaymentError as error:
        messages.error(request, str(error))
        return redirect("payment", payment_id=found.pk)
    return redirect("document", document_id=document.pk)
