"""Work by scan alone: the desk that reads printed cards and labels, and the sheet of cards to print."""

import uuid
from typing import Any

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from rentals.counter.bench import cards
from rentals.counter.bench.queries import get_bench_sheet
from rentals.counter.bench.verdicts import Verdict
from rentals.inventory import cautions, commands, queries
from rentals.inventory.commands import Command
from rentals.inventory.labelling import codes
from rentals.inventory.models import Instrument, Location
from rentals.runtime import clock
from rentals.staff.operations import RequestKeyReusedError
from rentals.staff.parking import stands_on
from rentals.staff.policy import acting_user, requires

KEPT = 8
DONE = "bench_acts"
"""Key of the session: the last verdicts, newest first; what of them can be undone is told there."""


def _location(request: HttpRequest) -> Location | None:
    wanted = request.POST.get("location") or request.GET.get("location") or request.session.get("bench_location", "")
    active = Location.objects.filter(is_active=True)
    found = active.filter(pk=str(wanted).replace("\0", "")).first()
    if found is None and active.count() == 1:
        found = active.first()
    if found is not None and request.method == "POST":
        request.session["bench_location"] = found.pk
    return found


@requires("bench.work")
@require_safe
def bench_cards(request: HttpRequest) -> HttpResponseBase:
    """The desk: scan an instrument, then a card; or a card, then one instrument after the other."""
    return _show(request, _location(request))


def _show(
    request: HttpRequest,
    location: Location | None,
    *,
    verdict: Verdict | None = None,
    card: Command | None = None,
    status: int = 200,
) -> HttpResponseBase:
    hand = verdict.hand if verdict else ""
    sheet = get_bench_sheet(hand, clock.today()) if hand else None
    context: dict[str, Any] = {
        "verdict": verdict,
        "sheet": sheet,
        "card": card,
        "hand": hand,
        "key": uuid.uuid4(),
        "done": request.session.get(DONE, []),
        "location": location,
        "locations": Location.objects.filter(is_active=True).order_by("name"),
        "groups": [(name, [each for each in commands.COMMANDS if each.group == group]) for group, name in commands.GROUPS],
        "cautions": cautions.for_repair(sheet.instrument.item.kind.family) if sheet else [],
    }
    partial = request.htmx  # type: ignore[attr-defined]
    return render(request, "counter/bench/cards_state.html" if partial else "counter/bench/cards.html", context, status=status)


def _page() -> str:
    return reverse("bench_cards")


@require_POST
@requires("bench.work")
@stands_on(_page)
def bench_command(request: HttpRequest) -> HttpResponseBase:
    """Take one scan of the desk: a card or a label, with what is in hand and which card is in force."""
    code, hand, sticky = (request.POST.get(name, "")[:80].replace("\0", "").strip() for name in ("code", "hand", "card"))
    location = _location(request)
    in_force = commands.read_command(sticky)
    if location is None:
        said = Verdict("warn", "Choose the shop first", "Then scan once more.", hand=hand)
        return _show(request, None, verdict=said, card=in_force, status=422)
    if not code:
        said = Verdict("warn", "Nothing scanned", "Scan a label or a card.", hand=hand)
        return _show(request, location, verdict=said, card=in_force, status=422)
    if commands.is_command(code):
        return _card(request, commands.read_command(code), hand, in_force, location)
    unit = queries.get_by_tag(code)
    if unit is None:
        said = Verdict("bad", f"Unknown: {code[:30]}", "No instrument has this tag. Scan the label once more, or type it.")
        return _show(request, location, verdict=said, card=in_force)
    if in_force is not None:
        return _run(request, in_force, unit, location, in_force)
    return _show(request, location, verdict=_picked_up(unit))


def _picked_up(unit: Instrument) -> Verdict:
    """Say what was scanned and where it is, now that it is in hand."""
    sheet = get_bench_sheet(unit.asset_tag, clock.today())
    words, tone = sheet.verdict if sheet else (unit.asset_tag, "quiet")
    work = (
        f"{sheet.order.get_state_display()}: {sheet.order.problem or sheet.order.get_kind_display()}"
        if sheet and sheet.order
        else "No open work order."
    )
    return Verdict("info" if tone == "quiet" else tone, words, work, unit.asset_tag, unit.asset_tag)


def _card(
    request: HttpRequest, card: Command | None, hand: str, in_force: Command | None, location: Location
) -> HttpResponseBase:
    if card is None:
        said = Verdict("bad", "Unknown card", "Print the sheet of cards anew; this one is not of it.", hand=hand)
        return _show(request, location, verdict=said, card=in_force)
    if card == commands.LAY_DOWN:
        return _show(request, location, verdict=Verdict("info", "Nothing in hand", "Scan an instrument, or a card for several."))
    if card == commands.UNDO:
        return _undo(request, in_force, location)
    unit = queries.get_by_tag(hand) if hand else None
    if unit is not None and in_force is None:
        return _run(request, card, unit, location, None)
    said = Verdict("info", f"{card.label}: for each one", "Scan the instruments one after the other. “Lay it down” ends it.")
    return _show(request, location, verdict=said, card=card)


def _run(request: HttpRequest, card: Command, unit: Instrument, location: Location, in_force: Command | None) -> HttpResponseBase:
    try:
        key = uuid.UUID(request.POST.get("key", ""))
        verdict = cards.run(
            command=card, instrument=unit, location=location, key=key, acting_user=acting_user(request), now=clock.now()
        )
    except (RequestKeyReusedError, ValueError):
        said = Verdict("bad", "Not done", "This page was open twice: scan it once more.", hand=unit.asset_tag)
        return _show(request, location, verdict=said, card=in_force, status=409)
    _remember(request, verdict, str(key))
    shown = verdict if in_force is None else verdict.holding("")
    return _show(request, location, verdict=shown, card=in_force)


def _remember(request: HttpRequest, verdict: Verdict, key: str) -> None:
    """Keep the last verdicts of this person; the same request sent again is kept once."""
    done = [each for each in request.session.get(DONE, []) if each["key"] != key]
    request.session[DONE] = [verdict.as_dict() | {"key": key}, *done][:KEPT]


def _undo(request: HttpRequest, in_force: Command | None, location: Location) -> HttpResponseBase:
    """Undo the newest act of this person that is not undone yet; only the newest, so that nothing is undone out of turn."""
    done = request.session.get(DONE, [])
    newest = next((each for each in done if each["tone"] == "good"), None)
    if newest is None or not newest["undo"]:
        said = Verdict("warn", "Nothing to undo", "What went out of the shop is taken in again instead.")
        return _show(request, location, verdict=said, card=in_force)
    plain = {name: value for name, value in newest.items() if name != "key"}
    verdict = cards.undo(done=Verdict.of(plain), location=location, acting_user=acting_user(request), now=clock.now())
    if verdict.tone != "bad":
        request.session[DONE] = [each for each in done if each is not newest]
    return _show(request, location, verdict=verdict, card=in_force)


@requires("bench.work")
@require_safe
def bench_cards_print(request: HttpRequest) -> HttpResponseBase:
    """The sheet of cards: each with its words, a Code 128 and a QR Code, to be printed and laid beside the bench."""
    groups = []
    for group, name in commands.GROUPS:
        drawn = [
            {
                "command": each,
                "bars": codes.bars_path(codes.code_128(each.code)),
                "bars_width": len(codes.code_128(each.code)) + 2 * codes.QUIET_BARS,
                "squares": codes.squares_path(codes.qr_code(each.code)),
                "squares_width": len(codes.qr_code(each.code)) + 2 * codes.QUIET_SQUARES,
            }
            for each in commands.COMMANDS
            if each.group == group
        ]
        groups.append((name, drawn))
    return render(request, "counter/bench/cards_print.html", {"groups": groups})
