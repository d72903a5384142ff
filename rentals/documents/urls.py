"""Addresses of documents and the outbox."""

from django.urls import path

from rentals.documents import outbox_views, views

urlpatterns = [
    path("documents/<int:document_id>/", views.document, name="document"),
    path("documents/<int:document_id>/state/", views.document_state, name="document_state"),
    path("documents/<int:document_id>/pdf/", views.document_pdf, name="document_pdf"),
    path("documents/<int:document_id>/make-again/", views.document_make_again, name="document_make_again"),
    path("outbox/", outbox_views.message_list, name="outbox"),
    path("outbox/letters/", outbox_views.letter_list, name="letters"),
    path("outbox/letters/print/", outbox_views.letters_print, name="letters_print"),
    path("outbox/letters/printed/", outbox_views.letters_printed, name="letters_printed"),
    path("outbox/<int:message_id>/", outbox_views.message, name="outbox_message"),
    path("outbox/<int:message_id>/send/", outbox_views.message_send, name="outbox_send"),
    path("outbox/<int:message_id>/cancel/", outbox_views.message_cancel, name="outbox_cancel"),
]
