"""Addresses of schools."""

from django.urls import path

from schools.views import directors
from schools.views import schools as views

urlpatterns = [
    path("schools/", views.school_list, name="schools"),
    path("schools/new/", views.add_school, name="school_add"),
    path("schools/<int:school_id>/", views.school, name="school"),
    path("schools/<int:school_id>/edit/", views.change_school, name="school_change"),
    path("schools/<int:school_id>/programmes/new/", views.add_programme, name="programme_add"),
    path("programmes/<int:programme_id>/", views.change_programme, name="programme_change"),
    path("programmes/<int:programme_id>/required/", views.add_required_item, name="required_item_add"),
    path("required-items/<int:item_id>/remove/", views.remove_required_item, name="required_item_remove"),
    path("schools/<int:school_id>/directors/new/", directors.director_add, name="director_add"),
    path("schools/<int:school_id>/directors/<int:director_id>/", directors.director_change, name="director_change"),
    path("schools/<int:school_id>/directors/<int:director_id>/consent/", directors.consent_record, name="consent_record"),
    path("schools/<int:school_id>/directors/<int:director_id>/withdraw/", directors.consent_withdraw, name="consent_withdraw"),
]
