"""The project's addresses and the gallery, which the project itself only has in development."""

from django.urls import path

from rentals.runtime.gallery import components
from rentals.staff.policy import open_to_all
from rentals.urls import urlpatterns as project

urlpatterns = [*project, path("components/", open_to_all(components))]
