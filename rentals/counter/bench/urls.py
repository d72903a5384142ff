"""Addresses of the bench."""

from django.urls import path

from rentals.counter.bench import views

urlpatterns = [
    path("bench/", views.bench, name="bench"),
    path("bench/take-in/<str:tag>/", views.bench_take_in, name="bench_take_in"),
    path("bench/go-out/<str:tag>/", views.bench_go_out, name="bench_go_out"),
    path("bench/loaner-back/<str:tag>/", views.bench_loaner_back, name="bench_loaner_back"),
    path("bench/cleaned/<str:tag>/", views.bench_cleaned, name="bench_cleaned"),
]
