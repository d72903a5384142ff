"""Forty tablets at one moment, each with one whole request over HTTP: a sign-up taken in, and the next family called."""

import datetime
import random
import threading
import uuid
from collections.abc import Sequence
from typing import Any

from django.urls import reverse

from rentals.counter.demo import people
from rentals.counter.nights.board.bench_tablet import Sender, make_envelope
from rentals.counter.nights.intake.pack import make_pack
from rentals.inventory.models import Custody, Instrument
from rentals.runtime import clock
from rentals.runtime.benches import in_ms
from rentals.staff.models import User
from schools import line, nights_packing
from schools.models import Night, WaitingNumber

TABLETS = 40
FIRST = 5000
"""Numbers of these families, far from those of the evening."""


def measure(evening: Night, senders: Sequence[Sender], *, lead: User, chance: random.Random) -> dict[str, Any]:
    """Return p50 and p95 in milliseconds of whole requests, all begun at once: `at_once_ms` sign-ups, `next_at_once_ms` calls.

    Each sign-up is sent until it is kept, so that nothing is left half done; `at_once_busy` counts those told to come again.
    """
    envelopes = _envelopes(evening, lead, chance)
    tablets = [_another(senders[n % len(senders)]) for n in range(TABLETS)]
    kept = _together([(tablet, envelope) for tablet, envelope in zip(tablets, envelopes, strict=False)])
    busy = [pair for pair, status in kept if status != 200]
    for tablet, envelope in busy:
        status, answer = tablet.post(envelope)
        if status != 200:
            message = f"a sign-up was never kept: {status} {answer}"
            raise RuntimeError(message)
    firsts = [tablet.durations[0] for tablet in tablets if tablet.durations]
    return {"at_once_ms": in_ms(firsts), "at_once_busy": len(busy), "next_at_once_ms": in_ms(_call_next(evening, senders))}


def _envelopes(evening: Night, lead: User, chance: random.Random) -> list[dict[str, Any]]:
    """Load what is on the shelf for the evening's programme, and sign a family up for each."""
    programme = evening.programmes.get()
    shelf = Instrument.objects.filter(custodies__ended_at=None, custodies__place=Custody.Place.SHELF).select_related("item")
    playable = [unit for unit in shelf.order_by("pk") if people.plays_in(programme, unit.item)]
    for unit in playable[:TABLETS]:
        nights_packing.load(night=evening, instrument=unit, acting_user=lead, now=clock.now())
    pack, device = make_pack(evening, made_at=clock.now()), uuid.UUID(int=chance.getrandbits(128))
    units = pack["units"][-TABLETS:]
    return [make_envelope(pack, number=FIRST + n, device=device, unit=unit, made_at=clock.now()) for n, unit in enumerate(units)]


def _call_next(evening: Night, senders: Sequence[Sender]) -> list[float]:
    WaitingNumber.objects.all().delete()
    came = clock.now() - datetime.timedelta(minutes=1)
    rows = (WaitingNumber(night=evening, number=n, place=n * line.STEP, came_at=came) for n in range(1, 2 * TABLETS + 1))
    WaitingNumber.objects.bulk_create(rows)
    where = reverse("night_next", args=[evening.pk])
    tablets = [_another(senders[n % len(senders)], where) for n in range(TABLETS)]
    answered = _together([(tablet, {"device": str(uuid.uuid4())}) for tablet in tablets])
    WaitingNumber.objects.all().delete()
    if any(status != 200 for _, status in answered):
        message = f"a call was refused: {sorted({status for _, status in answered})}"
        raise RuntimeError(message)
    return [tablet.durations[0] for tablet in tablets]


def _another(sender: Sender, where: str = "") -> Sender:
    """Return another tablet of the same person."""
    return Sender(sender.address, sender.session, sender.token, where or sender.where)


def _together(
    pairs: Sequence[tuple[Sender, dict[str, Any]]],
) -> list[tuple[tuple[Sender, dict[str, Any]], int]]:
    """Let all of them post at one moment; return each with its status, 0 where the connection broke."""
    start, statuses = threading.Barrier(max(1, len(pairs))), [0] * len(pairs)

    def post(place: int) -> None:
        tablet, body = pairs[place]
        start.wait()
        statuses[place], _ = tablet.post(body)

    threads = [threading.Thread(target=post, args=[place]) for place in range(len(pairs))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return list(zip(pairs, statuses, strict=True))
