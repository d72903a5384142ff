"""Addresses of autopay in the books; a household's own stand beside its other money in `billing.urls`."""

from django.urls import path

from billing.autopay.views import answers, overview, runs

urlpatterns = [
    path("", overview.autopay, name="autopay"),
    path("bank/", overview.bank_details, name="autopay_setup"),
    path("tell/", overview.tell_families, name="autopay_tell"),
    path("runs/", runs.run_list, name="autopay_runs"),
    path("runs/<int:autopay_run_id>/", runs.run_page, name="autopay_run"),
    path("runs/<int:autopay_run_id>/act/", runs.act, name="autopay_act"),
    path("runs/<int:autopay_run_id>/refused/", runs.refused, name="autopay_refused"),
    path("runs/<int:autopay_run_id>/file/", runs.download, name="autopay_file"),
    path("returns/", answers.choose_file, name="autopay_returns"),
    path("returns/<int:answers_id>/", answers.look_and_take_in, name="autopay_answers"),
]
