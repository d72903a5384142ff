"""Addresses of the delivery runs."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
