"""Addresses of what the fleet earns."""

from django.urls import path

from billing.earning.views import figures, looking, single

urlpatterns = [
    path("figures/", figures.fleet_figures, name="fleet_figures"),
    path("figures/csv/", figures.fleet_figures_csv, name="fleet_figures_csv"),
    path("figures/models/", figures.fleet_figures_items, name="fleet_figures_items"),
    path("figures/models/csv/", figures.fleet_figures_items_csv, name="fleet_figures_items_csv"),
    path("figures/instruments/", figures.fleet_figures_instruments, name="fleet_figures_instruments"),
    path("figures/instruments/csv/", figures.fleet_figures_instruments_csv, name="fleet_figures_instruments_csv"),
    path("figures/instruments/<int:instrument_id>/", single.instrument_figures, name="instrument_figures"),
    path("figures/instruments/<int:instrument_id>/repair/", single.instrument_advice, name="instrument_advice"),
    path("idle/", looking.fleet_idle, name="fleet_idle"),
    path("idle/csv/", looking.fleet_idle_csv, name="fleet_idle_csv"),
    path("repair-or-let-go/", looking.fleet_advice, name="fleet_advice"),
    path("repair-or-let-go/csv/", looking.fleet_advice_csv, name="fleet_advice_csv"),
]
