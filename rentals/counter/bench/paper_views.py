"""The papers of a work order: its sheet, printed at once, and its estimate, written to the family."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from rentals.counter.bench import papers
from rentals.counter.bench.order_queries import OrderSheet, get_order_sheet
from rentals.documents.kinds import get_kind
from rentals.documents.models import OutboxMessage
from rentals.documents.pdf import CannotMakePdfError
from rentals.documents.sheets import pdf_answer, print_now
from rentals.runtime import clock
from rentals.runtime.locks import RowsBusyError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires


def _page_of(order_id: int, **_: Any) -> str:
    return reverse("work_order", args=[order_id])


def _sheet_or_404(order_id: int) -> OrderSheet:
    sheet = get_order_sheet(order_id, clock.today())
    if sheet is None:
        raise Http404
    return sheet


@requires("bench.record_approval")
@require_safe
def work_order_pdf(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Give the work order as a PDF, to lie with the instrument."""
    sheet = _sheet_or_404(order_id)
    page, number = papers.make_page(sheet, now=clock.now()), sheet.order.number
    try:
        content = print_now(kind=get_kind("work_order"), page=page, title=f"Work order {number}")
    except CannotMakePdfError as error:
        messages.error(request, str(error))
        return redirect(_page_of(order_id))
    return pdf_answer(content, f"work-order-{number}.pdf")


@requires("bench.record_approval")
@require_POST
@stands_on(_page_of)
def work_order_write_estimate(request: HttpRequest, order_id: int) -> HttpResponseBase:
    """Write the estimate that waits for an answer to the family."""
    try:
        message = papers.write_estimate(sheet=_sheet_or_404(order_id), acting_user=acting_user(request), now=clock.now())
    except (papers.NothingToWriteError, RowsBusyError) as error:
        messages.error(request, str(error))
    else:
        by_mail = message.channel == OutboxMessage.Channel.MAIL
        way = "goes to the family by mail" if by_mail else "waits as a letter for the printer"
        messages.success(request, f"The estimate {way}. Record the answer here when it comes.")
    return redirect(f"{_page_of(order_id)}#estimate")
