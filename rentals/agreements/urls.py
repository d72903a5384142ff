"""Addresses of the terms."""

from django.urls import path

from rentals.agreements import plan_views, views

urlpatterns = [
    path("terms/", views.overview, name="terms"),
    path("terms/rates/", views.rate_card, name="terms_rates"),
    path("terms/rates/new/", views.add_rate, name="terms_rate_add"),
    path("terms/tax-rates/new/", views.add_tax_rate, name="terms_tax_rate_add"),
    path("terms/tax-areas/new/", views.add_tax_area, name="terms_tax_area_add"),
    path("terms/zip-codes/", views.put_postal_code, name="terms_postal_code"),
    path("terms/plans/new/", views.add_plan, name="terms_plan_add"),
    path("terms/plans/<slug:code>/offer/", plan_views.offer_plan, name="terms_plan_offer"),
    path("terms/plans/<slug:code>/draft/", plan_views.edit_draft, name="terms_draft"),
    path("terms/plans/<slug:code>/example/", plan_views.show_example, name="terms_example"),
    path("terms/plans/<slug:code>/discard/", plan_views.discard_draft, name="terms_draft_discard"),
    path("terms/plans/<slug:code>/publish/", plan_views.publish_draft, name="terms_publish"),
    path("terms/versions/<int:version_id>/", plan_views.version, name="terms_version"),
]
