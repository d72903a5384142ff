"""The shop's accounts at banks: their names, their books, and which one deposits go to."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from billing.banking import accounts
from billing.banking.forms import AccountNameForm
from billing.banking.views.common import BANK
from billing.models import BankAccount
from rentals.staff.policy import requires


@requires("bank.import")
@never_cache
def bank_accounts(request: HttpRequest) -> HttpResponseBase:
    """List the accounts with their books."""
    found = BankAccount.objects.select_related("books").order_by("books")
    return render(request, "billing/bank/accounts.html", {"accounts": found, "back": BANK})


@requires("bank.import")
@never_cache
def bank_account(request: HttpRequest, account_id: int) -> HttpResponseBase:
    """Give an account another name."""
    account = get_object_or_404(BankAccount.objects.select_related("books"), pk=account_id)
    form = AccountNameForm(request.POST if request.method == "POST" else None, initial={"name": account.name})
    if form.is_bound and form.is_valid():
        try:
            renamed = accounts.rename_account(account=account, name=form.cleaned_data["name"])
        except accounts.AccountNameTakenError as refused:
            form.add_error("name", str(refused))
        else:
            messages.success(request, f"The account is called {renamed} now.")
            return redirect("bank_accounts")
    back = {"label": "Bank accounts", "url": "/bank/accounts/"}
    context = {"form": form, "account": account, "back": back}
    return render(request, "billing/bank/account.html", context, status=422 if form.errors else 200)


@requires("bank.deposits_go_to")
@require_POST
def choose_for_deposits(request: HttpRequest, account_id: int) -> HttpResponseBase:
    """Have deposits go to this account from now on."""
    account = accounts.choose_for_deposits(account=get_object_or_404(BankAccount, pk=account_id))
    messages.success(request, f"Deposits, transfers and refunds go over {account} from now on.")
    return redirect("bank_accounts")
