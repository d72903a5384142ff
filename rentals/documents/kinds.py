"""The one table of document kinds: what a page of each is made of, its template, and which capability opens it."""

from dataclasses import dataclass, fields
from typing import Any

from rentals.documents import pages


@dataclass(frozen=True)
class Kind:
    """A kind of document."""

    code: str
    name: str
    template: str
    page: type[Any]
    capability: str

    @property
    def is_for_families(self) -> bool:
        """Whether it is addressed to a family; what is left is the office's own paper."""
        return not {"addressee", "guardian"}.isdisjoint(field.name for field in fields(self.page))


KINDS: dict[str, Kind] = {
    kind.code: kind
    for kind in (
        Kind("agreement", "Signed agreement", "documents/agreement.html", pages.AgreementPage, "agreements.view"),
        Kind("addendum", "Addendum", "documents/addendum.html", pages.AddendumPage, "agreements.view"),
        Kind("recall", "Recall", "documents/addendum.html", pages.AddendumPage, "agreements.view"),
        Kind("receipt", "Receipt", "documents/receipt.html", pages.ReceiptPage, "households.view"),
        Kind("deposit_slip", "Deposit slip", "documents/deposit_slip.html", pages.DepositSlipPage, "deposits.make"),
        Kind("overdue", "Overdue notice", "documents/overdue.html", pages.OverduePage, "outbox.view"),
        Kind(
            "returned_payment",
            "Payment that came back",
            "documents/returned_payment.html",
            pages.ReturnedPaymentPage,
            "households.view",
        ),
        Kind("statement", "Household statement", "documents/statement.html", pages.StatementPage, "households.view"),
        Kind("cleaning", "Cleaning reminder", "documents/cleaning.html", pages.CleaningPage, "outbox.view"),
        Kind("payoff_quote", "Price to buy", "documents/move.html", pages.MovePage, "agreements.view"),
        Kind("bill_of_sale", "Bill of sale", "documents/move.html", pages.MovePage, "agreements.view"),
        Kind("return_receipt", "Return receipt", "documents/move.html", pages.MovePage, "agreements.view"),
        Kind("closing", "Month as it was closed", "documents/closing.html", pages.ClosingPage, "books.view"),
        Kind("report", "Report of the books", "documents/report.html", pages.ReportPage, "books.view"),
        Kind("autopay", "Autopay authorization", "documents/autopay.html", pages.AutopayPage, "households.view"),
        Kind("autopay_notice", "Notice of a debit", "documents/autopay.html", pages.AutopayPage, "households.view"),
        Kind("autopay_return", "Debit that came back", "documents/autopay.html", pages.AutopayPage, "households.view"),
        Kind(
            "night_closing",
            "Sign-up night as it was closed",
            "documents/night_closing.html",
            pages.NightClosingPage,
            "nights.lead",
        ),
        Kind("estimate", "Estimate of a repair", "documents/estimate.html", pages.EstimatePage, "households.view"),
        Kind("work_order", "Work order", "documents/work_order.html", pages.WorkOrderPage, "bench.record_approval"),
        Kind("packing_list", "Packing list", "documents/packing_list.html", pages.PackingPage, "nights.load"),
        Kind("roster", "Roster of a school", "documents/roster.html", pages.RosterPage, "schools.view"),
        Kind("loss_report", "Report of a loss", "documents/move.html", pages.MovePage, "agreements.view"),
        Kind("delivery_slip", "Delivery slip", "documents/delivery_slip.html", pages.DeliverySlipPage, "runs.drive"),
        Kind("run_manifest", "Manifest of a run", "documents/run_manifest.html", pages.ManifestPage, "runs.drive"),
    )
}
COVER = Kind("batch", "Print batch", "documents/batch.html", pages.BatchPage, "outbox.view")
"""The cover sheet of a print batch is printed and thrown away, so it is never asked for and never kept."""


class UnknownKindError(KeyError):
    """No such kind of document."""


def get_kind(code: str) -> Kind:
    """Return the kind of this code. Raises UnknownKindError."""
    try:
        return KINDS[code]
    except KeyError:
        raise UnknownKindError(code) from None
