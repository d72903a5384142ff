"""Posting the opening balance of a bank account; the reconciliation itself stands in `billing.closing`."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_POST

from billing import ledger
from billing.banking import reconciliation
from billing.models import BankAccount
from billing.views.common import person
from rentals.runtime import clock
from rentals.staff.policy import requires


@requires("bank.match")
@require_POST
def post_opening(request: HttpRequest, account_id: int) -> HttpResponseBase:
    """Post the opening balance of an account."""
    account = get_object_or_404(BankAccount, pk=account_id)
    try:
        reconciliation.post_opening(account=account, acting_user=person(request), now=clock.now())
    except (reconciliation.OpeningPostedError, reconciliation.NothingToOpenError, ledger.MonthClosedError) as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, f"The opening balance of {account} is posted.")
    return redirect("bank_reconcile")
