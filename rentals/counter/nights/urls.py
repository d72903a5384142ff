"""Addresses of the sign-up night, part by part."""

from django.urls import include, path

urlpatterns = [
    path("", include(f"rentals.counter.nights.{part}.urls")) for part in ("planning", "packing", "tablet", "intake", "board")
]
