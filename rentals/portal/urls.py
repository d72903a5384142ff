"""Addresses of the doors from outside."""

from django.urls import path

from rentals.portal.home import views as home

urlpatterns = [
    path("start/<str:door_code>/", home.start, name="home_form"),
    path("start/<str:door_code>/<int:place>/review/", home.review, name="home_review"),
    path("start/<str:door_code>/<int:place>/done/", home.done, name="home_done"),
    path("start/<str:door_code>/<int:place>/another/", home.another, name="home_another"),
    path("start/<str:door_code>/<int:place>/<slug:page>/", home.page, name="home_page"),
]
