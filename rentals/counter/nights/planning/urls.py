"""Addresses of planning a night: the list, one night, what it takes along."""

from django.urls import path

from rentals.counter.nights.planning import allotment_views, views

urlpatterns = [
    path("nights/", views.nights, name="nights"),
    path("nights/plan/", views.night_add, name="night_add"),
    path("nights/<int:night_id>/", views.night, name="night"),
    path("nights/<int:night_id>/change/", views.night_change, name="night_change"),
    path("nights/<int:night_id>/call-off/", views.night_call_off, name="night_call_off"),
    path("nights/<int:night_id>/allotment/", allotment_views.night_allotment, name="night_allotment"),
]
