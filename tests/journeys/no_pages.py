"""Addresses that are no pages to look at, and pages that not everybody with the capability may open."""

from rentals.staff.models import Role

NO_PAGES = {
    *("health", "household_export", "instruments_export", "journal_csv", "journal_beancount", "import_errors"),  # files
    *("report_csv", "report_xlsx", "closing_file", "journal_file", "fleet_assets_csv", "credit_balances_csv"),  # files, too
    *("aging_csv", "stock_count_csv", "deliveries_export"),  # files, too
    *("fleet_figures_csv", "fleet_figures_items_csv", "fleet_figures_instruments_csv", "fleet_idle_csv", "fleet_advice_csv"),
    *("cleanings_csv", "cleanings_ahead_csv", "repair_parts_csv"),  # files, too
    *("school_import_template", "school_import_lists_template"),  # files, too
    "tablet_pack",  # data
    *("photo", "photo_thumb"),  # pictures
    *("tablet_worker", "tablet_door"),  # a script and an answer for one, both of the tablet
    *("run_door",),  # an answer for a script, too
    *("label_print_pdf", "label_calibration_pdf"),  # files, made while one waits
    *("statement_print", "agreement_recover"),  # steps on the way to another page
    *(
        "document_pdf",
        "batch_pdf",
        "month_papers_pdf",
        "payment_receipt",
        "autopay_file",
        "night_packing_list",
        "work_order_pdf",
        "school_roster_pdf",
        "run_manifest",
        "stop_slip",
    ),  # files, or made while one waits
    *(
        "payment_preview",
        "billing_run_progress",
        "document_state",
        "job_run_progress",
        "bank_line_sum",
        "write_off_sum",
        "signup_papers",
    ),  # parts of pages
    *("agreement_due_day_preview", "bank_matching"),  # parts, too
    "mail_news",  # takes what the mail provider tells
    *("cards_begin",),  # takes a form on the way to the processor's page
    *("mfa_authenticate", "mfa_reauthenticate", "mfa_view_recovery_codes", "choose_password"),  # steps on a way, tested there
    *("mfa_activate_totp",),  # a step, too, of whoever has no second factor yet
    *("account_login",),  # for strangers: looked at first
    *(
        "home_page",
        "home_review",
        "home_done",
        "home_another",
        "night_poster",
        "night_cards",
        "director_roster_csv",
        "director_roster_pdf",
    ),  # own forms, files: tests/portal
    *("components",),  # for whoever develops; tests/look
}
NOT_EVERYBODY = {"credit_note_void": Role.MANAGER, "tablet": Role.MANAGER, "night_file": Role.MANAGER}
"""Who looks where a capability alone does not let in: a write-off is voided by who may write off, a night is its staff's."""
