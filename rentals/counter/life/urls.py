"""Addresses of what may happen to an agreement: `agreement_<move>`, so that the agreement's page finds them by the move."""

from django.urls import path

from rentals.counter.life import hold_views, leaving_views, people_views, signed_views, terms_views

ONE = "agreements/<int:agreement_id>"

urlpatterns = [
    path(f"{ONE}/due-day/", terms_views.change_due_day, name="agreement_change_due_day"),
    path(f"{ONE}/due-day/preview/", terms_views.due_day_preview, name="agreement_due_day_preview"),
    path(f"{ONE}/protection/add/", terms_views.add_protection, name="agreement_add_protection"),
    path(f"{ONE}/protection/drop/", terms_views.drop_protection, name="agreement_drop_protection"),
    path(f"{ONE}/school/", people_views.change_school, name="agreement_change_school"),
    path(f"{ONE}/shares/", people_views.share_payments, name="agreement_share_payment"),
    path(f"{ONE}/transfer/", people_views.transfer_agreement, name="agreement_transfer"),
    path(f"{ONE}/transfer/<int:guardian_id>/", people_views.transfer_to, name="agreement_transfer_to"),
    path(f"{ONE}/hold/", hold_views.hold, name="agreement_hold"),
    path(f"{ONE}/hold/lift/", hold_views.lift_hold, name="agreement_lift_hold"),
    path(f"{ONE}/recall/", hold_views.recall, name="agreement_recall"),
    path(f"{ONE}/recall/lift/", hold_views.lift_recall, name="agreement_lift_recall"),
    path(f"{ONE}/void/", hold_views.void_agreement, name="agreement_void"),
    path(f"{ONE}/quote/", leaving_views.quote_payoff, name="agreement_quote_payoff"),
    path(f"{ONE}/buy/", leaving_views.buy, name="agreement_buy"),
    path(f"{ONE}/step-up/", leaving_views.step_up, name="agreement_step_up"),
    path(f"{ONE}/return/", leaving_views.take_back, name="agreement_return"),
    path(f"{ONE}/loss/", leaving_views.report_loss, name="agreement_report_loss"),
    path(f"{ONE}/exchange/", signed_views.exchange, name="agreement_exchange"),
    path(f"{ONE}/size-up/", signed_views.size_up, name="agreement_size_up"),
    path(f"{ONE}/reinstate/", signed_views.reinstate, name="agreement_reinstate"),
]
