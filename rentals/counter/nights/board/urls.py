"""Addresses of the evening itself: the waiting line, the lead's board, the closing sheet."""

from django.urls import path

from rentals.counter.nights.board import line_views, views

urlpatterns = [
    path("nights/<int:night_id>/line/", line_views.night_line, name="night_line"),
    path("nights/<int:night_id>/line/wall/", line_views.night_line_display, name="night_line_display"),
    path("nights/<int:night_id>/line/next/", line_views.night_next, name="night_next"),
    path("nights/<int:night_id>/line/<int:number>/", line_views.night_number, name="night_number"),
    path("nights/<int:night_id>/beat/", line_views.tablet_beat, name="tablet_beat"),
    path("nights/<int:night_id>/board/", views.night_board, name="night_board"),
    path("nights/<int:night_id>/to-collect/", views.night_to_collect, name="night_to_collect"),
    path("nights/<int:night_id>/open/", views.night_open, name="night_open"),
    path("nights/<int:night_id>/closing/", views.night_closing, name="night_closing"),
    path("nights/<int:night_id>/closing/tablets/<int:tablet_id>/", views.night_hand_over, name="night_hand_over"),
]
