"""Addresses of the counter."""

from django.urls import include, path

from rentals.counter import cleaning_views, views

urlpatterns = [
    path("search/", views.search, name="search"),
    path("schools/<int:school_id>/roster/", views.school_roster, name="school_roster"),
    path("schools/<int:school_id>/roster/list.pdf", views.school_roster_pdf, name="school_roster_pdf"),
    path("cleanings/reminders/", cleaning_views.cleaning_reminders, name="cleaning_reminders"),
    path("", include("rentals.counter.cleaning_days.urls")),
    path("", include("rentals.counter.van.urls")),
    path("", include("rentals.counter.nights.urls")),
    path("", include("rentals.counter.runs.urls")),
    path("", include("rentals.counter.households.urls")),
]
