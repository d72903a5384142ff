"""Addresses of the sign-up."""

from django.urls import path

from rentals.counter.signup import views

urlpatterns = [
    path("signup/", views.start, name="signup"),
    path("signup/new/", views.new_family, name="signup_new_family"),
    path("signup/begin/", views.begin, name="signup_begin"),
    path("signup/<uuid:draft_id>/", views.sheet, name="signup_sheet"),
    path("signup/<uuid:draft_id>/panel/", views.panel, name="signup_panel"),
    path("signup/<uuid:draft_id>/review/", views.review, name="signup_review"),
    path("signup/<uuid:draft_id>/take/", views.take_instead, name="signup_take_instead"),
    path("signup/<uuid:draft_id>/done/", views.done, name="signup_done"),
    path("signup/<uuid:draft_id>/papers/", views.papers, name="signup_papers"),
    path("signup/<uuid:draft_id>/discard/", views.discard, name="signup_discard"),
]
