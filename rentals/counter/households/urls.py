"""Addresses of households."""

from django.urls import path

from rentals.counter.households import views

urlpatterns = [
    path("households/", views.household_list, name="households"),
    path("households/export/", views.household_export, name="household_export"),
    path("households/<int:household_id>/", views.household, name="household"),
    path("households/<int:household_id>/history/", views.household_history, name="household_history"),
]
