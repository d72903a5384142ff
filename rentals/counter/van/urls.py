"""Addresses of the van's list."""

from django.urls import path

from rentals.counter.van import views

urlpatterns = [
    path("van/", views.errands, name="errands"),
    path("van/ask/<str:tag>/", views.errand_ask, name="errand_ask"),
    path("van/<int:errand_id>/done/", views.errand_done, name="errand_done"),
    path("van/<int:errand_id>/call-off/", views.errand_call_off, name="errand_call_off"),
    path("van/<int:errand_id>/take-up/", views.errand_take_up, name="errand_take_up"),
]
