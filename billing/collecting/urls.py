"""Addresses about families that owe."""

from django.urls import path

from billing.collecting.views import aging, calls, households, steps, write_offs

urlpatterns = [
    path("books/overdue/", aging.aging, name="aging"),
    path("books/overdue/csv/", aging.aging_csv, name="aging_csv"),
    path("owing/write-offs/", write_offs.write_off_queue, name="write_off_queue"),
    path("owing/write-offs/sum/", write_offs.write_off_sum, name="write_off_sum"),
    path("owing/steps/", steps.overdue_steps, name="overdue_steps"),
    path("owing/calls/", calls.calls_today, name="call_list"),
    path("owing/calls/<int:household_id>/", calls.call_outcome, name="call_outcome"),
    path("households/<int:household_id>/owing/", households.household_owing, name="household_owing"),
    path("households/<int:household_id>/owing/call/", households.note_call, name="call_note"),
    path("households/<int:household_id>/owing/promise/", households.make_promise, name="promise_make"),
    path("households/<int:household_id>/owing/plan/", households.make_plan, name="plan_make"),
    path("households/<int:household_id>/owing/plan/preview/", households.plan_preview, name="plan_preview"),
    path("arrangements/<int:arrangement_id>/withdraw/", households.withdraw, name="arrangement_withdraw"),
]
