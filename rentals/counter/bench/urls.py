"""Addresses of the bench."""

from django.urls import path

from rentals.counter.bench import board_views, card_views, order_views, paper_views, setting_views, views

urlpatterns = [
    path("bench/", views.bench, name="bench"),
    path("bench/queue/", board_views.bench_queue, name="bench_queue"),
    path("bench/cards/", card_views.bench_cards, name="bench_cards"),
    path("bench/cards/print/", card_views.bench_cards_print, name="bench_cards_print"),
    path("bench/command/", card_views.bench_command, name="bench_command"),
    path("bench/take-in/<str:tag>/", views.bench_take_in, name="bench_take_in"),
    path("bench/go-out/<str:tag>/", views.bench_go_out, name="bench_go_out"),
    path("bench/loaner-back/<str:tag>/", views.bench_loaner_back, name="bench_loaner_back"),
    path("bench/cleaned/<str:tag>/", views.bench_cleaned, name="bench_cleaned"),
    path("bench/orders/<int:order_id>/", order_views.work_order, name="work_order"),
    path("bench/orders/<int:order_id>/state/", order_views.work_order_state, name="work_order_state"),
    path("bench/orders/<int:order_id>/unrepaired/", order_views.work_order_stop, name="work_order_stop"),
    path("bench/orders/<int:order_id>/payer/", order_views.work_order_payer, name="work_order_payer"),
    path("bench/orders/<int:order_id>/assign/", order_views.work_order_assign, name="work_order_assign"),
    path("bench/orders/<int:order_id>/labour/", order_views.work_order_labour, name="work_order_labour"),
    path("bench/orders/<int:order_id>/part/", order_views.work_order_part, name="work_order_part"),
    path("bench/orders/<int:order_id>/lines/<int:line_id>/off/", order_views.work_order_line_off, name="work_order_line_off"),
    path("bench/orders/<int:order_id>/estimate/", order_views.work_order_estimate, name="work_order_estimate"),
    path("bench/orders/<int:order_id>/sheet.pdf", paper_views.work_order_pdf, name="work_order_pdf"),
    path(
        "bench/orders/<int:order_id>/estimate/letter/",
        paper_views.work_order_write_estimate,
        name="work_order_write_estimate",
    ),
    path("bench/orders/<int:order_id>/answer/", order_views.work_order_decide, name="work_order_decide"),
    path("bench/orders/<int:order_id>/test/", order_views.work_order_test, name="work_order_test"),
    path("bench/settings/", setting_views.bench_settings, name="bench_settings"),
    path("bench/settings/rates/", setting_views.bench_rate, name="bench_rate"),
    path("bench/parts/", setting_views.repair_parts, name="repair_parts"),
    path("bench/parts/export/", setting_views.repair_parts_csv, name="repair_parts_csv"),
    path("bench/parts/add/", setting_views.repair_part_add, name="repair_part_add"),
    path("bench/parts/change/<slug:sku>/", setting_views.repair_part_change, name="repair_part_change"),
    path("bench/parts/arrived/<slug:sku>/", setting_views.repair_part_arrived, name="repair_part_arrived"),
]
