"""Addresses about families that owe."""

from django.urls import path

from billing.collecting.views import aging, calls, households, steps

urlpatterns = [
    path("books/overdue/", aging.aging, name="aging"),
    path("books/overdue/csv/", aging.aging_csv, name="aging_csv"),
    path("owing/steps/", steps.overdue_steps, name="overdue_steps"),
    path("owing/calls/", calls.call_list, name="call_list"),
    path("owing/calls/<int:household_id>/", calls.call_outcome, name="call_outcome"),
    path("households/<int:household_id>/owing/", households.household_owing, name="household_owing"),
    path("households/<int:household_id>/owing/call/", households.note_call, name="call_note"),
    path("households/<int:household_id>/owing/promise/", households.make_promise, name="promise_make"),
    path("households/<int:household_id>/owing/plan/", households.make_plan, name="plan_make"),
    path("arrangements/<int:arrangement_id>/withdraw/", households.withdraw, name="arrangement_withdraw"),
]
