"""Where the mail provider tells what became of mails. Its message is read by the library that speaks with it."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from anymail.exceptions import AnymailWebhookValidationFailure
from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.utils.module_loading import import_string
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods

from rentals.staff.policy import open_to_all

logger = logging.getLogger(__name__)
READERS = {
    "postmark": "anymail.webhooks.postmark.PostmarkTrackingWebhookView",
    "mailgun": "anymail.webhooks.mailgun.MailgunTrackingWebhookView",
    "brevo": "anymail.webhooks.brevo.BrevoTrackingWebhookView",
}
LARGEST = 1024 * 1024


class UnreadableNewsError(Exception):
    """What came is no news of mails, whatever it is."""


@open_to_all
@csrf_exempt
@require_http_methods(["HEAD", "POST"])
def mail_news(request: HttpRequest) -> HttpResponseBase:
    """Take what the provider tells: 200 once it is written down or is about no mail of ours, 400 without the secret, and for
    what cannot be read.

    Anything else that goes wrong is a 500, and the provider tells it again later.
    """
    if not settings.EMAIL_PROVIDER:
        return HttpResponse("no provider", status=400, content_type="text/plain")
    length = request.headers.get("Content-Length") or "0"
    if not length.isdecimal() or len(length) > len(str(LARGEST)) or int(length) > LARGEST:
        return HttpResponse("too large", status=413, content_type="text/plain")
    try:
        return _reader(settings.EMAIL_PROVIDER).as_view()(request)  # type: ignore[no-any-return]
    except AnymailWebhookValidationFailure:
        logger.warning("a message about mails came without our secret and was refused")
        return HttpResponse("not ours", status=400, content_type="text/plain")
    except UnreadableNewsError:
        logger.warning("a message about mails could not be read")
        return HttpResponse("not to be read", status=400, content_type="text/plain")


def _reader(provider: str) -> Any:
    """Return the library's view for a provider, which says by one error that what came cannot be read."""
    known: Any = import_string(READERS[provider])

    class Reader(known):  # type: ignore[misc]
        def run_validators(self, request: HttpRequest) -> None:
            with _told_as_unreadable():
                super().run_validators(request)

        def parse_events(self, request: HttpRequest) -> Any:
            with _told_as_unreadable():
                return super().parse_events(request)

    return Reader


@contextmanager
def _told_as_unreadable() -> Iterator[None]:
    try:
        yield
    except AnymailWebhookValidationFailure:
        raise
    except Exception as error:
        raise UnreadableNewsError from error
