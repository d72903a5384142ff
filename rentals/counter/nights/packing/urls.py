"""Addresses of the van of a night."""

from django.urls import path

from rentals.counter.nights.packing import unload_views, views

urlpatterns = [
    path("nights/<int:night_id>/packing/", views.night_packing, name="night_packing"),
    path("nights/<int:night_id>/packing/list.pdf", views.night_packing_list, name="night_packing_list"),
    path("nights/<int:night_id>/packing/done/", views.night_packed, name="night_packed"),
    path("nights/<int:night_id>/load/", views.night_load, name="night_load"),
    path("nights/<int:night_id>/load/undo/", views.night_load_undo, name="night_load_undo"),
    path("nights/<int:night_id>/unload/", unload_views.night_unload, name="night_unload"),
    path("nights/<int:night_id>/unload/missing/", unload_views.night_missing, name="night_missing"),
]
