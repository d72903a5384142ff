"""Bank against books, to the cent: account by account at the end of a day, kept once they agree, and shown later as it was."""

import datetime
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse, reverse_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.banking import reconciliation
from billing.banking.views.common import BANK
from billing.closing import reconciling, span
from billing.models import BankAccount, BankReconciliation
from billing.views.common import person
from rentals.runtime import clock
from rentals.runtime.forms import DayField, MoneyField, OfficeForm
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.policy import requires

SHOWN = 12
RECONCILE = {"label": "Reconcile", "url": reverse_lazy("bank_reconcile")}


class BalanceForm(OfficeForm):
    """Which account at the end of which day, and the statement's balance where the bank's file did not give it."""

    account = forms.TypedChoiceField(label="Account", coerce=int)
    on = DayField(label="At the end of", required=False)
    balance = MoneyField(
        label="Balance on the statement", required=False, least=-(10**9), help_text="Empty: what the bank’s file says."
    )

    def __init__(self, *args: Any, accounts: Sequence[BankAccount], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.accounts = {account.pk: account for account in accounts}
        self.fields["account"].choices = [(key, str(account)) for key, account in self.accounts.items()]  # type: ignore[attr-defined]

    def clean_account(self) -> BankAccount:
        """Give the account itself."""
        return self.accounts[self.cleaned_data["account"]]

    def clean_balance(self) -> Decimal | None:
        """Give the amount as the books write it."""
        typed = self.cleaned_data["balance"]
        return typed.amount if typed is not None else None


def _asked(request: HttpRequest) -> tuple[BalanceForm, BankAccount | None, datetime.date | None, Decimal | None]:
    """Read account, day and balance from the address; a month asks for its last day."""
    accounts = list(BankAccount.objects.order_by("name"))
    given = request.GET.copy()
    month = span.read_month(given.get("month"))
    if month and not given.get("on"):
        given["on"] = f"{month.last_day:%m/%d/%Y}"
    first = accounts[0] if accounts else None
    if first and not given.get("account"):
        given["account"] = str(first.pk)
    form = BalanceForm(given, accounts=accounts)
    form.is_valid()
    found = form.cleaned_data
    return form, found.get("account") or first, found.get("on"), found.get("balance")


@requires("bank.match")
@never_cache
def reconcile(request: HttpRequest) -> HttpResponseBase:
    """Show the difference between bank and books, what it is made of, and the first line where they part."""
    form, account, on, balance = _asked(request)
    found = reconciliation.reconcile(account, on=on, balance=balance) if account else None
    at_bank, in_books = reconciling.list_sides(found) if found else ([], [])
    context = {
        "form": form,
        "account": account,
        "found": found,
        "on": on,
        "at_bank": _shown(at_bank),
        "in_books": _shown(in_books),
        "sums": [sum((Decimal(each["amount"]) for each in side), Decimal("0.00")) for side in (at_bank, in_books)],
        "balance": balance,
        "saved": BankReconciliation.objects.select_related("account", "saved_by").order_by("-on", "-id")[:SHOWN],
        "back": BANK,
    }
    return render(request, "billing/bank/reconcile.html", context)


def _shown(side: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Turn what is kept into what a page shows."""
    return [
        {
            **each,
            "on": datetime.date.fromisoformat(each["on"]),
            "met_on": datetime.date.fromisoformat(each["met_on"]) if each["met_on"] else None,
        }
        for each in side
    ]


@requires("bank.match")
@require_POST
def save_reconciliation(request: HttpRequest) -> HttpResponseBase:
    """Keep that the account agrees, or say by how much it does not."""
    form = BalanceForm(request.POST, accounts=list(BankAccount.objects.all()))
    if not form.is_valid() or not form.cleaned_data["on"]:
        messages.error(request, "Say which account is to be kept, and at the end of which day.")
        return redirect("bank_reconcile")
    given = form.cleaned_data
    try:
        saved = reconciling.save(
            account=given["account"], on=given["on"], balance=given["balance"], acting_user=person(request), now=clock.now()
        )
    except reconciling.DoesNotAgreeError as refused:
        messages.error(request, str(refused))
        balance = f"&balance={given['balance']}" if given["balance"] is not None else ""
        return redirect(f"{reverse('bank_reconcile')}?account={given['account'].pk}&on={given['on']}{balance}")
    messages.success(request, f"{saved.account} agrees with the books at the end of {written_day(saved.on)}; it is kept.")
    return redirect("reconciliation", reconciliation_id=saved.pk)


@requires("books.view")
@never_cache
def reconciliation_page(request: HttpRequest, reconciliation_id: int) -> HttpResponseBase:
    """Show a reconciliation as it was kept."""
    saved = get_object_or_404(BankReconciliation.objects.select_related("account", "saved_by"), pk=reconciliation_id)
    sides = [_shown([each for each in saved.outstanding if each["side"] == side]) for side in ("bank", "books")]
    context = {"saved": saved, "at_bank": sides[0], "in_books": sides[1], "is_still_so": reconciling.is_still_so(saved)}
    return render(request, "billing/closing/reconciliation.html", {**context, "back": RECONCILE})
