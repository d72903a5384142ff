"""Addresses of schools."""

from django.urls import path

from schools import views

urlpatterns = [
    path("schools/", views.school_list, name="schools"),
    path("schools/new/", views.add_school, name="school_add"),
    path("schools/<int:school_id>/", views.school, name="school"),
    path("schools/<int:school_id>/edit/", views.change_school, name="school_change"),
    path("schools/<int:school_id>/programmes/new/", views.add_programme, name="programme_add"),
    path("programmes/<int:programme_id>/", views.change_programme, name="programme_change"),
    path("programmes/<int:programme_id>/required/", views.add_required_item, name="required_item_add"),
    path("required-items/<int:item_id>/remove/", views.remove_required_item, name="required_item_remove"),
]
