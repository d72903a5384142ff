"""The components, each in its normal, empty, wrong and overlong state. Development only; nothing here is stored or read."""

import datetime
from decimal import Decimal
from typing import Any

from django import forms
from django.conf import settings
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

from rentals.runtime import charts
from rentals.runtime.forms import (
    Checklist,
    ChoiceCards,
    CodeField,
    DayField,
    MoneyField,
    OfficeForm,
    PhoneField,
    PostcodeField,
    StrokesField,
    WholeNumberField,
)

LONG = "Wilhelmina-Constance Featherstonehaugh-Montgomery de la Vega y Santacruz"


class GalleryForm(OfficeForm):
    """One field of every kind."""

    name = forms.CharField(label="Guardian's name")
    phone = PhoneField(label="Telephone", help_text="With the area code, like (312) 555-0142.")
    email = forms.EmailField(label="E-mail", required=False)
    postal_code = PostcodeField(label="ZIP code")
    asset_tag = CodeField(label="Asset tag")
    amount = MoneyField(label="Amount", least=1, most=Decimal(5000), help_text="What the family hands over today.")
    count = WholeNumberField(label="How many")
    due_on = DayField(label="Due on")
    size = forms.ChoiceField(label="Size", choices=[("", "Choose"), ("1/2", "1/2"), ("3/4", "3/4"), ("4/4", "4/4")])
    plan = forms.ChoiceField(
        label="Plan",
        choices=[("month", "Month by month"), ("year", "School year")],
        widget=ChoiceCards(
            notes={"month": "Ends whenever the instrument comes back.", "year": "Ten payments, paid up to the end of June."},
            asides={"month": "$24.50", "year": "$221.00"},
        ),
    )
    kit = forms.MultipleChoiceField(
        label="Kit",
        required=False,
        choices=[("rosin", "Rosin"), ("rest", "Shoulder rest"), ("book", "Method book, volume 1")],
        widget=Checklist(notes={"book": "on the school's required list"}),
    )
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea)
    consent = forms.BooleanField(label="The guardian agrees to records and signatures in electronic form.")
    typed_name = forms.CharField(label="Signed by typing the full name")
    drawing = StrokesField()


WRONG = {
    "name": LONG,
    "phone": "555",
    "email": "not an address",
    "postal_code": "62",
    "asset_tag": "vn-0312",
    "amount": "12,50",
    "count": "a dozen",
    "due_on": "31/12/2026",
}
RIGHT = {
    "name": "Ada Example",
    "phone": "312.555.0142",
    "postal_code": "62704",
    "asset_tag": "VN-0312",
    "amount": "1,250.50",
    "count": "12",
    "due_on": "11/24/2026",
    "size": "3/4",
    "plan": "year",
    "kit": ["book"],
    "typed_name": "Ada Example",
}


def _rows() -> list[dict[str, Any]]:
    start = datetime.date(2026, 11, 2)
    people = ["Ada Example", "Benedikt Sample", LONG, "Cho Specimen", "Dolores Muster"]
    words = [("Paid", "good"), ("Due soon", "info"), ("Past due", "bad"), ("Partly paid", "warn"), ("Ended", "quiet")]
    return [
        {
            "name": people[i],
            "word": words[i][0],
            "tone": words[i][1],
            "due": start + datetime.timedelta(days=7 * i),
            "amount": Decimal("24.50") * (i * 11 + 1) * (-1 if i == 4 else 1),
        }
        for i in range(5)
    ]


def _tiles() -> list[dict[str, Any]]:
    return [
        {"label": "Open agreements", "value": "612"},
        {"label": "Owed", "value": "$18,204.50", "note": "of it past due $2,310.00", "url": "#tiles"},
        {"label": "Cleanings due", "value": "0", "note": "this month"},
        {"label": LONG, "value": "$1,000,000.00", "note": LONG},
    ]


def _events() -> list[dict[str, Any]]:
    zone = datetime.UTC
    return [
        {
            "at": datetime.datetime(2026, 11, 24, 21, 5, tzinfo=zone),
            "text": "In the shop, bench 2",
            "note": "E string peg slips",
            "who": "Tess Bench",
            "now": True,
        },
        {
            "at": datetime.datetime(2026, 8, 20, 23, 40, tzinfo=zone),
            "text": "Out to Ada Example",
            "url": "#timeline",
            "who": "Sam Counter",
        },
        {
            "at": datetime.date(2025, 7, 1),
            "text": "Bought",
            "note": f"From {LONG}, who keeps a very long name for the sake of this line and its wrapping",
        },
    ]


def _charts() -> list[charts.Chart]:
    months = ["Jul", "Aug", "Sep", "Oct", "Nov", "Dec", "Jan", "Feb"]
    out, other = [41, 58, 83, 86, 84, None, 79, 81], [38, 51, 77, 80, 80, 78, 74, 76]
    lines = charts.Words(
        "gallery-lines", "Time out", "Share of the time, month by month.", "Month", lambda share: f"{share:.0f}%"
    )
    bars = charts.Words("gallery-bars", "Rent and repairs", "By kind, this season.", "Kind", lambda amount: f"${amount:,.0f}")
    kinds, rent, repairs = ["Flute", "Violin", LONG[:24]], [18204, 22410, 310], [1204, 880, 460]
    return [
        charts.line_chart(lines, months, [charts.Series("Violins", out), charts.Series("All kinds", other)]),
        charts.bar_chart(bars, kinds, [charts.Series("Rent", rent), charts.Series("Repairs", repairs)]),
        charts.line_chart(charts.Words("gallery-none", "Nothing yet", "No month is over.", "Month", str), [], []),
    ]


def _lists(request: HttpRequest) -> dict[str, Any]:
    return {
        "rows": _rows(),
        "sort": request.GET.get("sort", "due"),
        "page": Paginator(range(612), 25).get_page(request.GET.get("page", 4)),
        "only_page": Paginator(range(3), 25).get_page(1),
        "tiles": _tiles(),
        "events": _events(),
        "facts": [
            {"label": "Household", "value": "Example", "url": "#facts"},
            {"label": "Telephone", "value": "(312) 555-0142"},
            {"label": "E-mail", "value": ""},
            {"label": "A label that is far longer than a label should ever be", "value": LONG},
        ],
        "steps": [
            {"label": "Family", "state": "done", "url": "#steps"},
            {"label": "Instrument", "state": "done", "url": "#steps"},
            {"label": "Plan", "state": "now"},
            {"label": "Sign", "state": "ahead"},
        ],
        "tabs": [
            {"label": "Charges", "url": "#tabs", "current": True, "count": 14},
            {"label": "Payments", "url": "#tabs", "count": 0},
            {"label": "Papers", "url": "#tabs", "count": None},
        ],
        "checks": [{"label": "Rosin", "done": True}, {"label": "Shoulder rest", "done": False, "note": "size 3/4"}],
        "charts": _charts(),
        "keys": [
            {"key": "↑ ↓", "does": "row"},
            {"key": "Enter", "does": "open"},
            {"key": "m", "does": "match"},
            {"key": "?", "does": "these keys"},
        ],
    }


def components(request: HttpRequest) -> HttpResponse:
    """Show every component; ?touch shows them as on a tablet at a sign-up night."""
    if not settings.DEBUG:
        raise Http404
    wrong = GalleryForm({f"wrong-{name}": value for name, value in WRONG.items()}, prefix="wrong")
    context = {
        "right_form": GalleryForm(
            {f"right-{name}": value for name, value in RIGHT.items()} | {"right-consent": "on"}, prefix="right"
        ),
        "wrong_form": wrong,
        "empty_form": GalleryForm(prefix="empty"),
        "empty_kinds": ["never", "done", "nothing", "denied", "failed"],
        "tones": ["good", "warn", "bad", "info", "quiet"],
        "actions": [{"label": "Print", "url": "#page-head"}, {"label": "Take a payment", "url": "#page-head", "main": True}],
        "back": {"label": "Households", "url": "#page-head"},
        "past_due": {"word": "Past due", "tone": "bad"},
        "hidden": [{"name": "key", "value": "0"}],
        "strokes": "M60 140L90 60L120 140M75 105L105 105M150 60L150 140M150 100L190 90L220 110L260 80L330 120",
        "touch": "touch" in request.GET,
        "long": LONG,
        "at": datetime.datetime(2026, 11, 24, 21, 5, tzinfo=datetime.UTC),
        "on": datetime.date(2026, 11, 24),
        "owed": Decimal("-12.5"),
        "much": Decimal("1250.5"),
        **_lists(request),
    }
    return render(request, "components.html", context)
