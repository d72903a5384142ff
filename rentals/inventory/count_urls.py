"""Addresses of scanning and of stock counts."""

from django.urls import path

from rentals.inventory.views import count_review, counts, scans

urlpatterns = [
    path("scan/", scans.scan, name="scan"),
    path("instruments/counts/", counts.stock_counts, name="stock_counts"),
    path("instruments/counts/start/", counts.stock_count_start, name="stock_count_start"),
    path("instruments/counts/<int:count_id>/", counts.stock_count, name="stock_count"),
    path("instruments/counts/<int:count_id>/scans/", counts.count_scans, name="count_scans"),
    path("instruments/counts/<int:count_id>/undo/", counts.count_scan_undo, name="count_scan_undo"),
    path("instruments/counts/<int:count_id>/review/", count_review.stock_count_review, name="stock_count_review"),
    path("instruments/counts/<int:count_id>/settle/", count_review.stock_count_settle, name="stock_count_settle"),
    path("instruments/counts/<int:count_id>/close/", count_review.stock_count_close, name="stock_count_close"),
    path("instruments/counts/<int:count_id>/call-off/", count_review.stock_count_call_off, name="stock_count_call_off"),
    path("instruments/counts/<int:count_id>/export/", count_review.stock_count_csv, name="stock_count_csv"),
]
