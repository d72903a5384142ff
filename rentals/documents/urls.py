"""Addresses of documents and the outbox."""

from django.urls import path

from rentals.documents import batch_views, month_views, outbox_views, provider_views, views
from rentals.documents.wording import views as wording

urlpatterns = [
    path("letters/words/", wording.wordings, name="wordings"),
    path("letters/words/<slug:letter>/<slug:language>/", wording.wording, name="wording"),
    path("letters/words/<slug:letter>/<slug:language>/show/", wording.wording_show, name="wording_show"),
    path("letters/words/<slug:letter>/<slug:language>/again/", wording.wording_again, name="wording_again"),
    path("documents/month/", month_views.month_papers, name="month_papers"),
    path("documents/month/pdf/", month_views.month_papers_pdf, name="month_papers_pdf"),
    path("documents/<int:document_id>/", views.document, name="document"),
    path("documents/<int:document_id>/state/", views.document_state, name="document_state"),
    path("documents/<int:document_id>/pdf/", views.document_pdf, name="document_pdf"),
    path("documents/<int:document_id>/make-again/", views.document_make_again, name="document_make_again"),
    path("outbox/", outbox_views.message_list, name="outbox"),
    path("outbox/letters/", batch_views.letter_list, name="letters"),
    path("outbox/batches/", batch_views.batch_list, name="batches"),
    path("outbox/batches/new/", batch_views.batch_make, name="batch_make"),
    path("outbox/batches/<int:batch_id>/", batch_views.batch, name="batch"),
    path("outbox/batches/<int:batch_id>/pdf/", batch_views.batch_pdf, name="batch_pdf"),
    path("outbox/batches/<int:batch_id>/make/", batch_views.batch_pdf_make, name="batch_pdf_make"),
    path("outbox/batches/<int:batch_id>/printed/", batch_views.batch_printed, name="batch_printed"),
    path("outbox/batches/<int:batch_id>/dissolve/", batch_views.batch_dissolve, name="batch_dissolve"),
    path("mail/news/", provider_views.mail_news, name="mail_news"),
    path("outbox/<int:message_id>/complaint-seen/", outbox_views.complaint_seen, name="outbox_complaint_seen"),
    path("outbox/<int:message_id>/", outbox_views.message, name="outbox_message"),
    path("outbox/<int:message_id>/send/", outbox_views.message_send, name="outbox_send"),
    path("outbox/<int:message_id>/cancel/", outbox_views.message_cancel, name="outbox_cancel"),
]
