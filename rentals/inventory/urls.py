"""Addresses of the fleet."""

from django.urls import path

from rentals.inventory import count_urls
from rentals.inventory.views import catalogue, custody, imports, instruments, label_setup, labels, locations, moving, photos, work

urlpatterns = [
    path("instruments/", instruments.instruments, name="instruments"),
    path("instruments/export/", instruments.instruments_export, name="instruments_export"),
    path("instruments/add/", instruments.instrument_add, name="instrument_add"),
    path("instruments/<int:instrument_id>/", instruments.instrument, name="instrument"),
    path("instruments/<int:instrument_id>/change/", instruments.instrument_change, name="instrument_change"),
    path("instruments/<int:instrument_id>/move/", custody.instrument_move, name="instrument_move"),
    path("instruments/moves/", moving.moves, name="moves"),
    path("instruments/moves/<int:batch_id>/", moving.move_batch, name="move_batch"),
    path("instruments/moves/<int:batch_id>/scan/", moving.move_scan, name="move_scan"),
    path("instruments/moves/<int:batch_id>/rest/", moving.move_rest, name="move_rest"),
    path("instruments/moves/<int:batch_id>/undo/<int:scan_id>/", moving.move_scan_undo, name="move_scan_undo"),
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
    path("instruments/labels/", labels.labels, name="labels"),
    path("instruments/labels/scanned/", labels.labels_scanned, name="labels_scanned"),
    path("instruments/labels/print/", labels.labels_print, name="labels_print"),
    path("instruments/labels/<int:print_id>/", labels.label_print, name="label_print"),
    path("instruments/labels/<int:print_id>/pdf/", labels.label_print_pdf, name="label_print_pdf"),
    path("instruments/labels/<int:print_id>/take-back/", labels.label_print_take_back, name="label_print_take_back"),
    path("instruments/labels/set-up/", label_setup.label_setup, name="label_setup"),
    path("instruments/labels/sheets/add/", label_setup.label_layout_add, name="label_layout_add"),
    path("instruments/labels/sheets/<int:layout_id>/", label_setup.label_layout_change, name="label_layout_change"),
    path("instruments/labels/printers/add/", label_setup.label_printer_add, name="label_printer_add"),
    path("instruments/labels/printers/<int:printer_id>/", label_setup.label_printer_change, name="label_printer_change"),
    path("instruments/labels/printers/<int:printer_id>/calibrate/", label_setup.label_calibrate, name="label_calibrate"),
    path("instruments/labels/printers/<int:printer_id>/sheet/", label_setup.label_calibration_pdf, name="label_calibration_pdf"),
    path("instruments/import/", imports.fleet_import, name="fleet_import"),
    path("instruments/import/<int:draft_id>/columns/", imports.import_columns, name="import_columns"),
    path("instruments/import/<int:draft_id>/check/", imports.import_check, name="import_check"),
    path("instruments/import/<int:draft_id>/errors/", imports.import_errors, name="import_errors"),
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
