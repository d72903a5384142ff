"""Addresses of the evening itself: the waiting line, the lead's board, the closing sheet."""

from django.urls import path

from rentals.counter.nights.board import line_views

urlpatterns = [
    path("nights/<int:night_id>/line/", line_views.night_line, name="night_line"),
    path("nights/<int:night_id>/line/wall/", line_views.night_line_display, name="night_line_display"),
    path("nights/<int:night_id>/line/next/", line_views.night_next, name="night_next"),
    path("nights/<int:night_id>/line/<int:number>/", line_views.night_number, name="night_number"),
    path("nights/<int:night_id>/beat/", line_views.tablet_beat, name="tablet_beat"),
]
