"""Addresses of what writes families down. The list of households and a household's page stand at the counter."""

from django.urls import path

from rentals.families import news_views, views

urlpatterns = [
    path("households/find/", views.find, name="household_find"),
    path("households/new/", views.add_household, name="household_add"),
    path("households/<int:household_id>/edit/", views.change_household, name="household_change"),
    path("households/<int:household_id>/guardians/new/", views.add_guardian, name="guardian_add"),
    path("households/<int:household_id>/students/new/", views.add_student, name="student_add"),
    path("guardians/<int:guardian_id>/", views.change_guardian, name="guardian_change"),
    path("guardians/<int:guardian_id>/news/", news_views.guardian_news, name="guardian_news"),
    path("reminders/stop/<str:token>/", news_views.stop_reminders, name="reminders_stop"),
    path("students/<int:student_id>/", views.change_student, name="student_change"),
    path("consents/<int:consent_id>/withdraw/", views.withdraw_consent, name="consent_withdraw"),
]
