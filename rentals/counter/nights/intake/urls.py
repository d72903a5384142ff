"""Addresses of this part of the night."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
