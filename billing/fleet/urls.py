"""Addresses of the fleet in the books."""

from django.urls import path

from billing.fleet import views

urlpatterns = [
    path("", views.fleet_books, name="fleet_books"),
    path("book/", views.book, name="fleet_book"),
    path("depreciate/", views.depreciate, name="fleet_depreciate"),
    path("instruments/", views.assets, name="fleet_assets"),
    path("instruments/csv/", views.assets_csv, name="fleet_assets_csv"),
    path("instruments/<int:asset_id>/", views.asset, name="fleet_asset"),
    path("instruments/<int:asset_id>/take-out/", views.take_out, name="fleet_take_out"),
    path("instruments/<int:asset_id>/put-back/", views.put_back, name="fleet_put_back"),
]
