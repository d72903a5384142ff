"""Addresses of an instrument that leaves the fleet and comes back."""

from django.urls import path

from rentals.counter.fleet import views

urlpatterns = [
    path("instruments/<int:instrument_id>/sell/", views.instrument_sell, name="instrument_sell"),
    path("instruments/<int:instrument_id>/retire/", views.instrument_retire, name="instrument_retire"),
    path("instruments/<int:instrument_id>/missing/", views.instrument_lose, name="instrument_lose"),
    path("instruments/<int:instrument_id>/write-off/", views.instrument_write_off, name="instrument_write_off"),
    path("instruments/<int:instrument_id>/found/", views.instrument_find, name="instrument_find"),
    path("instruments/sales/<int:sale_id>/undo/", views.sale_undo, name="sale_undo"),
]
