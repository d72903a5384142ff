"""Addresses of this part of the night."""

from django.urls import path

from rentals.counter.nights.intake import tablet_views

urlpatterns = [
    path("nights/<int:night_id>/pack/", tablet_views.tablet_pack, name="tablet_pack"),
    path("nights/take-in/", tablet_views.night_take_in, name="night_take_in"),
]
