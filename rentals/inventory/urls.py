"""Addresses of the fleet."""

from django.urls import path

from rentals.inventory import count_urls
from rentals.inventory.views import catalogue, custody, imports, instruments, locations, photos, work

urlpatterns = [
    path("instruments/", instruments.instruments, name="instruments"),
    path("instruments/export/", instruments.instruments_export, name="instruments_export"),
    path("instruments/add/", instruments.instrument_add, name="instrument_add"),
    path("instruments/<int:instrument_id>/", instruments.instrument, name="instrument"),
    path("instruments/<int:instrument_id>/change/", instruments.instrument_change, name="instrument_change"),
    path("instruments/<int:instrument_id>/move/", custody.instrument_move, name="instrument_move"),
    path("instruments/<int:instrument_id>/moves/<int:custody_id>/undo/", custody.move_undo, name="move_undo"),
    path("instruments/<int:instrument_id>/hold/", custody.instrument_hold, name="instrument_hold"),
    path("instruments/<int:instrument_id>/release/", custody.instrument_release, name="instrument_release"),
    path("instruments/<int:instrument_id>/cleaned/", work.cleaned_today, name="cleaned_today"),
    path("instruments/<int:instrument_id>/photos/", photos.photos, name="photos"),
    path("instruments/photos/<int:photo_id>/", photos.photo, {"size": "image"}, name="photo"),
    path("instruments/photos/<int:photo_id>/small/", photos.photo, {"size": "thumb"}, name="photo_thumb"),
    path("instruments/photos/<int:photo_id>/remove/", photos.photo_remove, name="photo_remove"),
    path("instruments/photos/<int:photo_id>/put-back/", photos.photo_put_back, name="photo_put_back"),
    path("instruments/photos/<int:photo_id>/erase/", photos.photo_erase, name="photo_erase"),
    path("instruments/import/", imports.fleet_import, name="fleet_import"),
    path("instruments/import/<int:draft_id>/columns/", imports.import_columns, name="import_columns"),
    path("instruments/import/<int:draft_id>/check/", imports.import_check, name="import_check"),
    path("instruments/import/<int:draft_id>/errors/", imports.import_errors, name="import_errors"),
    path("bench/cleanings/", work.cleanings, name="cleanings"),
    path("bench/queue/", work.bench_queue, name="bench_queue"),
    path("bench/queue/<int:order_id>/", work.work_order_close, name="work_order_close"),
    path("instruments/catalogue/", catalogue.catalogue, name="catalogue"),
    path("instruments/catalogue/add/", catalogue.catalogue_add, name="catalogue_add"),
    path("instruments/catalogue/<int:item_id>/", catalogue.catalogue_change, name="catalogue_change"),
    path("instruments/shops/", locations.locations, name="locations"),
    path("instruments/shops/add/", locations.location_add, name="location_add"),
    path("instruments/shops/change/<slug:code>/", locations.location_change, name="location_change"),
    path("instruments/products/", catalogue.products, name="products"),
    path("instruments/products/add/", catalogue.product_add, name="product_add"),
    path("instruments/products/change/<slug:sku>/", catalogue.product_change, name="product_change"),
]

urlpatterns += count_urls.urlpatterns
