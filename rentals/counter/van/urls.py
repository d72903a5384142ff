"""Addresses of the van's list."""

from django.urls import path

from rentals.counter.van import views

urlpatterns = [
    path("bench/van/", views.errands, name="errands"),
    path("bench/van/ask/<str:tag>/", views.errand_ask, name="errand_ask"),
    path("bench/van/<int:errand_id>/done/", views.errand_done, name="errand_done"),
    path("bench/van/<int:errand_id>/call-off/", views.errand_call_off, name="errand_call_off"),
    path("bench/van/<int:errand_id>/take-up/", views.errand_take_up, name="errand_take_up"),
]
