"""Forms of stock counts: opened, settled, ended. They clean what was typed; operations write."""

import json
from collections.abc import Sequence
from typing import Any
from uuid import UUID, uuid4

from django import forms

from rentals.inventory.count_rules import WAYS
from rentals.inventory.models import CountSettlement, InstrumentKind, Location, StockCount
from rentals.inventory.operations.counts import ScanSent
from rentals.inventory.scan_rules import LONGEST
from rentals.runtime.forms import Checklist, OfficeForm

MOST_SCANS = 500


class OpenCountForm(OfficeForm):
    """What is counted."""

    location = forms.ModelChoiceField(
        label="Shop", queryset=Location.objects.filter(is_active=True).order_by("name"), empty_label="Choose a shop"
    )
    kinds = forms.MultipleChoiceField(
        label="Only these kinds", required=False, widget=Checklist, help_text="Tick none to count everything that stands there."
    )
    note = forms.CharField(label="Note", required=False, max_length=120, help_text="Why now: after the summer, before the audit.")
    request_key = forms.UUIDField(widget=forms.HiddenInput, initial=uuid4)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        owned = InstrumentKind.objects.filter(items__instruments__isnull=False).distinct().order_by("order", "name")
        self.fields["kinds"].choices = list(owned.values_list("code", "name"))  # type: ignore[attr-defined]


class SettleForm(OfficeForm):
    """What is done about the differences that are ticked."""

    how = forms.ChoiceField(label="What to do with the ticked ones")
    location = forms.ModelChoiceField(
        label="Where they were found", queryset=Location.objects.none(), required=False, empty_label="Choose a shop"
    )
    reason = forms.CharField(label="Why", max_length=120, help_text="One line for the history: asked twice, case is empty.")

    def __init__(self, *args: Any, count: StockCount, differences: Sequence[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        ways = [way for way in CountSettlement.How.values if any(way in WAYS[each] for each in differences)]
        labels = {
            "moved_here": f"Put on the shelf at {count.location}",
            "moved_there": "Found at another shop: put on its shelf",
            "lost": "Mark as lost",
            "left": "Leave as it is in the books",
        }
        choices = [("", "Choose one"), *((way, labels[way]) for way in ways if way in labels)]
        self.fields["how"].choices = choices  # type: ignore[attr-defined]
        if "moved_there" in ways:
            others = Location.objects.filter(is_active=True).exclude(pk=count.location_id).order_by("name")
            self.fields["location"].queryset = others  # type: ignore[attr-defined]
        else:
            del self.fields["location"]

    def clean(self) -> dict[str, Any]:
        """Ask for the other shop only where something was found there."""
        data = super().clean() or {}
        if data.get("how") == CountSettlement.How.MOVED_THERE and not data.get("location"):
            self.add_error("location", "Choose the shop where they were found.")
        return data


class CloseCountForm(OfficeForm):
    """The end of a count. What waits is left as it is, with a reason."""

    leave_rest = forms.CharField(label="Why the rest is left as it is", max_length=120, required=False)


class CallOffForm(OfficeForm):
    """A count ended without a result."""

    reason = forms.CharField(label="Why it is called off", max_length=120)


class ScansUnreadableError(Exception):
    """What a device sent is not a list of scans."""


def read_scans(body: bytes) -> list[ScanSent]:
    """Read scans as the page sends them: `{"device": …, "scans": [{"id": …, "code": …, "seconds_ago": …}, …]}`.

    Raises ScansUnreadableError, saying what is wrong.
    """
    try:
        sent = json.loads(body)
        device, rows = str(sent.get("device", "")), sent["scans"]
        scans = [ScanSent(UUID(str(row["id"])), _code(row["code"]), float(row.get("seconds_ago", 0)), device) for row in rows]
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        message = "These scans did not arrive whole. Load the page again; what was not sent is still on it."
        raise ScansUnreadableError(message) from error
    if len(scans) > MOST_SCANS:
        message = f"Send at most {MOST_SCANS} scans at once."
        raise ScansUnreadableError(message)
    if not all(0 <= each.seconds_ago < 10**9 for each in scans):
        message = "These scans carry no time that can be. Set the clock of this device, and scan them again."
        raise ScansUnreadableError(message)
    return scans


def _code(value: Any) -> str:
    return str(value).replace("\0", "")[: LONGEST * 4]
