"""Addresses of the doors from outside."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
