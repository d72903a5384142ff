"""Addresses of the end of a month."""

from django.urls import path

from billing.closing.views import clearing, journal, months, reports

urlpatterns = [
    path("months/", months.months_page, name="months"),
    path("months/close/", months.close_month, name="month_close"),
    path("months/reopen/", months.reopen, name="month_reopen"),
    path("months/waive/<slug:check_code>/", months.waive, name="closing_waive"),
    path("months/waivers/<int:waiver_id>/withdraw/", months.withdraw_waiver, name="waiver_withdraw"),
    path("months/packages/<int:package_id>/", months.package, name="closing_package"),
    path("months/files/<int:file_id>/", months.package_file, name="closing_file"),
    path("journal/files/", journal.journal_files, name="journal_files"),
    path("journal/file/", journal.journal_file, name="journal_file"),
    path("clearing/", clearing.accounts, name="clearing"),
    path("clearing/by-hand/", clearing.clear_by_hand, name="clear_by_hand"),
    path("clearing/by-hand/<int:clearing_id>/", clearing.cleared, name="cleared"),
    path("clearing/<slug:clearing_code>/", clearing.account, name="clearing_account"),
    path("reports/", reports.reports, name="reports"),
    path("reports/<slug:report_code>/", reports.report, name="report"),
    path("reports/<slug:report_code>/csv/", reports.report_csv, name="report_csv"),
    path("reports/<slug:report_code>/xlsx/", reports.report_xlsx, name="report_xlsx"),
    path("reports/<slug:report_code>/pdf/", reports.report_pdf, name="report_pdf"),
]
