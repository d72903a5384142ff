"""Addresses of the bank's side."""

from django.urls import path

from billing.banking.views import accounts, columns, files, lines, reconciling
from billing.closing.views import reconciling as closing

urlpatterns = [
    path("", lines.bank, name="bank"),
    path("files/", files.choose_file, name="bank_files"),
    path("files/<int:file_id>/", files.bank_file, name="bank_file"),
    path("files/<int:file_id>/columns/", columns.bank_columns, name="bank_columns"),
    path("files/<int:file_id>/columns/tried/", columns.columns_tried, name="bank_columns_tried"),
    path("files/<int:file_id>/throw-away/", files.throw_away, name="bank_file_throw_away"),
    path("accounts/", accounts.bank_accounts, name="bank_accounts"),
    path("accounts/<int:account_id>/", accounts.bank_account, name="bank_account"),
    path("accounts/<int:account_id>/deposits/", accounts.choose_for_deposits, name="bank_account_deposits"),
    path("reconcile/", closing.reconcile, name="bank_reconcile"),
    path("reconcile/save/", closing.save_reconciliation, name="reconciliation_save"),
    path("reconcile/<int:reconciliation_id>/", closing.reconciliation_page, name="reconciliation"),
    path("reconcile/<int:account_id>/opening/", reconciling.post_opening, name="bank_opening"),
    path("certain/", lines.certain, name="bank_certain"),
    path("matching/<int:round_id>/", lines.progress, name="bank_matching"),
    path("lines/<int:line_id>/", lines.bank_line, name="bank_line"),
    path("lines/<int:line_id>/sum/", lines.line_sum, name="bank_line_sum"),
    path("lines/<int:line_id>/accept/", lines.accept, name="bank_accept"),
    path("lines/<int:line_id>/undo/", lines.undo, name="bank_undo"),
    path("lines/<int:line_id>/leave-out/", lines.leave_out, name="bank_leave_out"),
    path("lines/<int:line_id>/returned/<int:payment_id>/", lines.returned, name="bank_returned"),
]
