"""Addresses of the annual cleanings."""

from django.urls import path

from rentals.counter.cleaning_days import due_views, views

urlpatterns = [
    path("bench/cleanings/", due_views.cleanings, name="cleanings"),
    path("bench/cleanings/export/", due_views.cleanings_csv, name="cleanings_csv"),
    path("bench/cleanings/ahead/", due_views.cleanings_ahead, name="cleanings_ahead"),
    path("bench/cleanings/ahead/export/", due_views.cleanings_ahead_csv, name="cleanings_ahead_csv"),
    path("bench/cleaning-days/", views.cleaning_days, name="cleaning_days"),
    path("bench/cleaning-days/plan/", views.cleaning_day_plan, name="cleaning_day_plan"),
    path("bench/cleaning-days/<int:cleaning_day_id>/", views.cleaning_day, name="cleaning_day"),
    path("bench/cleaning-days/<int:cleaning_day_id>/scan/", views.cleaning_day_scan, name="cleaning_day_scan"),
    path("bench/cleaning-days/<int:cleaning_day_id>/undo/", views.cleaning_day_undo, name="cleaning_day_undo"),
    path("bench/cleaning-days/<int:cleaning_day_id>/update/", views.cleaning_day_update, name="cleaning_day_update"),
    path("bench/cleaning-days/<int:cleaning_day_id>/close/", views.cleaning_day_close, name="cleaning_day_close"),
    path("bench/cleaning-days/<int:cleaning_day_id>/open/", views.cleaning_day_open, name="cleaning_day_open"),
]
