"""Addresses of the counter's takings."""

from django.urls import path

from billing.taking import views

urlpatterns = [
    path("takings/", views.my_takings, name="my_takings"),
    path("takings/<int:taking_id>/", views.taking, name="taking"),
    path("takings/<int:taking_id>/confirm/", views.confirm, name="taking_confirm"),
    path("takings/<int:taking_id>/reopen/", views.reopen, name="taking_reopen"),
    path("books/takings/", views.takings, name="takings"),
    path("payments/<int:payment_id>/void/", views.void_payment, name="payment_void"),
    path("books/deposits/<int:deposit_id>/slip/", views.deposit_slip, name="deposit_slip"),
]
