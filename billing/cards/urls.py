"""Addresses of card payments."""

from django.urls import path

from billing.cards.views import books, counter, outside

urlpatterns = [
    path("cards/", counter.cards_begin, name="cards_begin"),
    path("cards/<uuid:attempt_key>/", counter.card_attempt, name="card_attempt"),
    path("cards/<uuid:attempt_key>/ask/", counter.card_ask, name="card_ask"),
    path("cards/<uuid:attempt_key>/close/", counter.card_close, name="card_close"),
    path("cards/<uuid:attempt_key>/refund/", counter.card_refund, name="card_refund"),
    path("cards/<uuid:attempt_key>/seen/", books.card_seen, name="card_seen"),
    path("cards/events/<slug:processor>/", outside.card_event, name="card_event"),
    path("practice-card/<uuid:charge_key>/", outside.practice_page, name="practice_page"),
    path("books/cards/", books.card_attempts, name="card_attempts"),
    path("books/card-payouts/", books.card_payouts, name="card_payouts"),
    path("books/card-payouts/read/", books.read_payouts, name="card_payouts_read"),
    path("books/card-payouts/<int:payout_id>/", books.card_payout, name="card_payout"),
]
