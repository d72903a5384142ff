"""Addresses of schools."""

from django.urls import path

from schools.views import contacts, directors, districts, imports, wishes
from schools.views import schools as views

urlpatterns = [
    path("schools/", views.school_list, name="schools"),
    path("schools/import/", imports.school_import, name="school_import"),
    path("schools/import/take-in/", imports.school_import_take_in, name="school_import_take_in"),
    path("schools/import/schools.csv", imports.school_import_template, name="school_import_template"),
    path("schools/import/required-lists.csv", imports.school_import_lists_template, name="school_import_lists_template"),
    path("schools/next-steps/", contacts.next_steps, name="next_steps"),
    path("schools/<int:school_id>/talks/", contacts.school_contacts, name="school_contacts"),
    path("schools/<int:school_id>/talks/new/", contacts.contact_add, name="contact_add"),
    path("talks/<int:contact_id>/done/", contacts.contact_done, name="contact_done"),
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
    path("districts/<int:district_id>/", districts.district, name="district"),
    path("districts/<int:district_id>/days/", districts.district_days_add, name="district_days_add"),
    path("schools/<int:school_id>/days/", districts.school_days_add, name="school_days_add"),
    path("school-days/<int:day_id>/remove/", districts.school_day_remove, name="school_day_remove"),
    path("programmes/<int:programme_id>/required/copy/", views.copy_required_list, name="required_list_copy"),
    path("programmes/<int:programme_id>/wishes/", wishes.programme_wishes, name="programme_wishes"),
    path("programmes/<int:programme_id>/wishes/beginners/", wishes.wish_expected, name="wish_expected"),
    path("programmes/<int:programme_id>/wishes/models/", wishes.wish_approved, name="wish_approved"),
    path("programmes/<int:programme_id>/wishes/sizes/", wishes.wish_size, name="wish_size"),
    path("programmes/<int:programme_id>/wishes/take-off/", wishes.wish_take_off, name="wish_take_off"),
]
