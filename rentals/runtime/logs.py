"""What a log line may say: which request it belongs to, and nothing that a person typed or is called."""

import logging
import re
import traceback
import uuid
from collections.abc import Callable
from contextvars import ContextVar
from types import TracebackType

from django.http import HttpRequest, HttpResponseBase

_request_id: ContextVar[str] = ContextVar("request_id", default="-")
ADDRESS = re.compile(r"[\w.+-]+@[\w-]+\.[\w.-]+")
TELEPHONE = re.compile(r"(?<!\d)(?:\+?1[ .-]?)?\(?\d{3}\)?[ .-]?\d{3}[ .-]?\d{4}(?!\d)")
ExcInfo = tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None]


def current_request_id() -> str:
    """Return the id of the request under way, "-" outside of one."""
    return _request_id.get()


class RequestIdMiddleware:
    """Gives every request an id of our own making; the answer and every log line carry it. A visitor's own is not believed."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        request_id = uuid.uuid4().hex[:12]
        request.META["OFFICE_REQUEST_ID"] = request_id
        token = _request_id.set(request_id)
        try:
            response = self.get_response(request)
        finally:
            _request_id.reset(token)
        response["X-Request-ID"] = request_id
        return response


class RequestIdFilter(logging.Filter):
    """Adds `request_id` to a record."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Let every record pass, with the id."""
        record.request_id = current_request_id()
        return True


class DiscreetFormatter(logging.Formatter):
    """One line a record, without mail addresses and telephone numbers; an exception's frames and type, never its text.

    The text of an exception quotes what was typed: PostgreSQL's names the row, a ValueError the value. What a repair needs is
    kept: where it happened, the type, and for the database the constraint's name.
    """

    def format(self, record: logging.LogRecord) -> str:
        """Return the line; the traceback, if any, under it."""
        record.exc_text = None
        first, *rest = super().format(record).split("\nTraceback ", 1)
        line = ADDRESS.sub("(address)", TELEPHONE.sub("(number)", first)).replace("\r", " ").replace("\n", " ")
        return "\nTraceback ".join([line, *rest])

    def formatException(self, ei: ExcInfo) -> str:  # noqa: N802 - the name logging calls
        """Return the frames and the type."""
        lines = ["Traceback (most recent call last):\n", *traceback.format_tb(ei[2])]
        cause = ei[1]
        while cause is not None:
            constraint = getattr(getattr(cause, "diag", None), "constraint_name", None)
            lines.append(f"{type(cause).__module__}.{type(cause).__qualname__}" + (f" ({constraint})\n" if constraint else "\n"))
            cause = cause.__cause__ or cause.__context__
        return "".join(lines).rstrip()
