"""Asking for a report on paper. The same figures give the same document, so that asking twice makes one."""

import datetime
import hashlib
import json

from django.conf import settings

from billing.closing.files import to_page
from billing.closing.reports.table import Report
from rentals.documents import operations as documents
from rentals.documents.codec import to_payload
from rentals.documents.models import Document


def ask_for_report(*, report: Report, now: datetime.datetime) -> Document:
    """Ask for the PDF of a report as it stands."""
    page = to_page(report)
    digest = hashlib.sha256(json.dumps(to_payload(page), sort_keys=True).encode()).hexdigest()[:24]
    return documents.ask_for_document(
        key=f"report/{report.code}/{report.month.code}/{digest}",
        kind="report",
        about=f"report/{report.code}-{report.month.code}",
        title=f"{report.title}, {report.month}",
        page=page,
        language=settings.LANGUAGE_CODE[:2],
        now=now,
    )
