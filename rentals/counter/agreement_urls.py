"""Addresses of agreements."""

from django.urls import path

from rentals.counter import agreements

urlpatterns = [
    path("agreements/", agreements.agreement_list, name="agreements"),
    path("agreements/<int:agreement_id>/", agreements.agreement, name="agreement"),
]
