"""Addresses of the first page and of everything about the people who work here. Only the package's views we need, by hand."""

from django.urls import path

from rentals.staff.views import account, history, home, people

urlpatterns = [
    path("", home.home, name="home"),
    path("sign-in/", account.sign_in, name="account_login"),
    path("sign-in/code/", account.sign_in_code, name="mfa_authenticate"),
    path("sign-out/", account.sign_out, name="account_logout"),
    path("my-account/", account.my_account, name="my_account"),
    path("my-account/password/", account.change_password, name="account_change_password"),
    path("my-account/confirm/", account.confirm_password, name="account_reauthenticate"),
    path("my-account/confirm/code/", account.confirm_code, name="mfa_reauthenticate"),
    path("my-account/second-factor/", account.set_up_factor, name="mfa_activate_totp"),
    path("my-account/recovery-codes/", account.recovery_codes, name="mfa_view_recovery_codes"),
    path("my-account/sessions/", account.list_sessions, name="usersessions_list"),
    path("choose-password/", people.choose_password, name="choose_password"),
    path("people/", people.list_people, name="people"),
    path("people/add/", people.add_person, name="add_person"),
    path("people/<int:person_id>/", people.change_person, name="change_person"),
    path("people/<int:person_id>/leave/", people.deactivate_person, name="deactivate_person"),
    path("people/<int:person_id>/come-back/", people.reactivate_person, name="reactivate_person"),
    path("people/<int:person_id>/password-link/", people.make_password_link, name="make_password_link"),
    path("people/<int:person_id>/second-factor/", people.reset_second_factor, name="reset_second_factor"),
    path("history/", history.list_changes, name="history"),
]
