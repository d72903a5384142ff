"""Addresses of the tablet."""

from django.urls import path

from rentals.counter.nights.tablet import views

urlpatterns = [
    path("tablet/worker.js", views.tablet_worker, name="tablet_worker"),
    path("tablet/shell/", views.tablet_shell, name="tablet_shell"),
    path("tablet/<int:night_id>/", views.tablet, name="tablet"),
    path("tablet/<int:night_id>/door/", views.tablet_door, name="tablet_door"),
]
