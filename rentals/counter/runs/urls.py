"""Addresses of the delivery runs."""

from django.urls import path

from rentals.counter.runs import acts, asking, driving, views

urlpatterns = [
    path("runs/", views.runs_list, name="runs"),
    path("runs/plan/", views.run_plan, name="run_plan"),
    path("runs/door/", acts.run_door, name="run_door"),
    path("runs/ask/<str:tag>/", asking.home_errand_ask, name="home_errand_ask"),
    path("runs/asked/<int:home_errand_id>/call-off/", asking.home_errand_call_off, name="home_errand_call_off"),
    path("runs/<int:run_id>/", views.run_page, name="run"),
    path("runs/<int:run_id>/add/", views.run_add, name="run_add"),
    path("runs/<int:run_id>/promised/<int:promise_id>/", asking.run_promise, name="run_promise"),
    path("runs/<int:run_id>/order/", views.run_order, name="run_order"),
    path("runs/<int:run_id>/call-off/", views.run_call_off, name="run_call_off"),
    path("runs/<int:run_id>/manifest/", views.run_manifest, name="run_manifest"),
    path("runs/<int:run_id>/stops/<int:stop_id>/move/", views.stop_move, name="stop_move"),
    path("runs/<int:run_id>/stops/<int:stop_id>/slip/", views.stop_slip, name="stop_slip"),
    path("runs/<int:run_id>/stops/<int:stop_id>/spot/", asking.stop_spot, name="stop_spot"),
    path("runs/<int:run_id>/spot/", asking.shop_spot, name="shop_spot"),
    path("runs/<int:run_id>/loads/<int:load_id>/strike/", views.load_strike, name="load_strike"),
    path("runs/<int:run_id>/drive/", driving.run_drive, name="run_drive"),
    path("runs/<int:run_id>/acts/", acts.run_act, name="run_act"),
    path("runs/<int:run_id>/scan/", driving.run_scan, name="run_scan"),
    path("runs/<int:run_id>/leave/", driving.run_leave, name="run_leave"),
    path("runs/<int:run_id>/finish/", driving.run_finish, name="run_finish"),
    path("runs/<int:run_id>/stops/<int:stop_id>/hand-over/", driving.stop_hand_over, name="stop_hand_over"),
    path("runs/<int:run_id>/loads/<int:load_id>/not-done/", driving.load_not_done, name="load_not_done"),
]
