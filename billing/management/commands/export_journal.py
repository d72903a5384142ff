"""Write the journal in an open text format, for the accountant or for a second opinion."""

import datetime
from collections.abc import Callable, Iterator
from typing import Any, ClassVar

from django.core.management.base import BaseCommand, CommandError, CommandParser

from billing import export

Writer = Callable[..., Iterator[str]]


class Command(BaseCommand):
    """The whole journal, or a part of it, on standard output."""

    help = "Writes the journal to standard output in the text format of Beancount or hledger, or as CSV."
    writers: ClassVar[dict[str, Writer]] = {"beancount": export.beancount, "hledger": export.hledger, "csv": export.journal_csv}

    def add_arguments(self, parser: CommandParser) -> None:
        """Take the format and the days."""
        parser.add_argument("--format", choices=list(self.writers), default="beancount")
        parser.add_argument("--from", dest="begins_on", help="first day, as 2026-01-31")
        parser.add_argument("--through", dest="through_on", help="last day, included")
        parser.add_argument("--with-opening", action="store_true", help="begin with the balances before the first day (not CSV)")

    def handle(self, *args: Any, **options: Any) -> None:
        """Stream the journal."""
        begins_on, through_on = (self._day(options[name]) for name in ("begins_on", "through_on"))
        more = {"with_opening": True} if options["with_opening"] and options["format"] != "csv" else {}
        for text in self.writers[options["format"]](begins_on=begins_on, through_on=through_on, **more):
            self.stdout.write(text, ending="")

    def _day(self, text: str | None) -> datetime.date | None:
        try:
            return datetime.date.fromisoformat(text) if text else None
        except ValueError as wrong:
            raise CommandError(f"“{text}” is not a day: write it as 2026-01-31.") from wrong
