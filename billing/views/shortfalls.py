"""Purchases made on rental credit that later proved unpaid: whom to ask for how much."""

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.views.decorators.http import require_safe

from billing import queries
from billing.views.common import BOOKS
from rentals.runtime.money import ZERO
from rentals.staff.policy import requires


@requires("books.view")
@require_safe
def credit_shortfalls(request: HttpRequest) -> HttpResponseBase:
    """List them, the largest amount first."""
    rows = queries.list_credit_shortfalls()
    total = sum((row.short for row in rows), ZERO)
    return render(request, "billing/credit_shortfalls.html", {"rows": rows, "total": total, "back": BOOKS})
