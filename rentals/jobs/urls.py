"""Addresses of the pages about jobs."""

from django.urls import path

from rentals.jobs import backups, views

urlpatterns = [
    path("backups/", backups.backups, name="backups"),
    path("jobs/", views.jobs, name="jobs"),
    path("jobs/now/", views.job_run_now, name="job_run_now"),
    path("jobs/runs/", views.job_runs, name="job_runs"),
    path("jobs/runs/<int:job_run_id>/", views.job_run, name="job_run"),
    path("jobs/runs/<int:job_run_id>/progress/", views.job_run_progress, name="job_run_progress"),
    path("jobs/runs/<int:job_run_id>/again/", views.job_run_again, name="job_run_again"),
    path("jobs/runs/<int:job_run_id>/stop/", views.job_run_stop, name="job_run_stop"),
]
