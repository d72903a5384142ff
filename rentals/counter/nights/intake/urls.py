"""Addresses of this part of the night."""

from django.urls import path

from rentals.counter.nights.intake import file_views, giving_up, tablet_views, views, waiting_views

ONE = "nights/sign-ups/<uuid:sign_up_id>"

urlpatterns = [
    path("nights/to-come/", waiting_views.instruments_to_come, name="instruments_to_come"),
    path("nights/to-come/<int:promise_id>/lend/", waiting_views.lend_meanwhile, name="lend_meanwhile"),
    path("nights/to-come/<int:promise_id>/days/", waiting_views.waited_days, name="waited_days"),
    path("nights/<int:night_id>/pack/", tablet_views.tablet_pack, name="tablet_pack"),
    path("nights/take-in/", tablet_views.night_take_in, name="night_take_in"),
    path("nights/<int:night_id>/given-up/", giving_up.night_give_up, name="night_give_up"),
    path("nights/<int:night_id>/sign-ups/", views.night_sign_ups, name="night_sign_ups"),
    path("nights/<int:night_id>/file/", file_views.night_file, name="night_file"),
    path("nights/<int:night_id>/to-assign/", views.units_to_assign, name="units_to_assign"),
    path(f"{ONE}/", views.night_sign_up, name="night_sign_up"),
    path(f"{ONE}/take-in/", views.night_sign_up_take_in, name="night_sign_up_take_in"),
    path(f"{ONE}/again/", views.night_sign_up_again, name="night_sign_up_again"),
    path(f"{ONE}/discard/", views.night_sign_up_discard, name="night_sign_up_discard"),
]
