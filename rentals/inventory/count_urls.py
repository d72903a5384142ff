"""Addresses of scanning and of stock counts."""

from django.urls import path

from rentals.inventory.views import scans

urlpatterns = [
    path("scan/", scans.scan, name="scan"),
]
