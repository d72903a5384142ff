"""`bench night`: four tablets sign two hundred families up over a failing network; forty people call the next family."""

import datetime
import io
import random
import threading
import time
import uuid
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.servers.basehttp import ThreadedWSGIServer, WSGIRequestHandler
from django.core.wsgi import get_wsgi_application
from django.db import connection, connections, transaction
from django.db.models import Count
from django.test import Client
from django.urls import reverse

from rentals.agreements.models import Agreement, AgreementUnit, NightSignUp
from rentals.counter.demo import people, shop
from rentals.counter.nights.board import bench_at_once
from rentals.counter.nights.board.bench_tablet import Network, Sender, make_envelope
from rentals.counter.nights.intake.pack import make_pack
from rentals.runtime import clock
from rentals.runtime.benches import Report, Run, in_ms, percentile, timed
from rentals.staff.models import Role, User
from schools import line, nights, nights_packing
from schools.models import Night, WaitingNumber

FAMILIES = 200
TABLETS = 4
TWICE = 0.2
CALLERS, NUMBERS = 40, 100
CLAIM = """
UPDATE schools_waitingnumber SET called_at = now(), called_by_id = %s WHERE id = (
    SELECT id FROM schools_waitingnumber WHERE night_id = %s AND called_at IS NULL AND left_at IS NULL
    ORDER BY place, number LIMIT 1 FOR UPDATE SKIP LOCKED) RETURNING id
"""


class QuietHandler(WSGIRequestHandler):
    """Writes no line for each request."""

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing."""


class Server(ThreadedWSGIServer):
    """Lets as many tablets knock at one moment as a server in production does."""

    request_queue_size = 128


def night(run: Run) -> Report:
    """Measure a whole evening and hold its books to account; then the line, against one statement that does the same."""
    families = run.count(FAMILIES)
    evening, staff = _prepare(run, families)
    run.tell("signing up")
    envelopes = _sign_up(evening, families, run.chance)
    settings.ALLOWED_HOSTS = [*settings.ALLOWED_HOSTS, "127.0.0.1"]
    server = Server(("127.0.0.1", 0), QuietHandler)
    server.set_app(get_wsgi_application())
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        senders = [_sender(server.server_address, person) for person in staff]
        run.tell(f"sending {families} sign-ups from {TABLETS} tablets")
        seconds = timed(lambda: _send(senders, envelopes, run))
        run.tell(f"{CALLERS} tablets at once")
        at_once = bench_at_once.measure(evening, senders, lead=staff[0], chance=run.chance)
    finally:
        server.shutdown()
        server.server_close()
    report = _account(envelopes, senders)
    run.tell("calling the line")
    return {
        "size": {"families": families, "tablets": TABLETS},
        "night_seconds": round(seconds, 3),
        **report,
        **at_once,
        **_call(evening, staff),
    }


def _prepare(run: Run, families: int) -> tuple[Night, list[User]]:
    run.tell("a shop, a night, a van")
    today, now = clock.today(), clock.now()
    opened_on = today - datetime.timedelta(days=60)
    the_shop = shop.open_shop(opened_on=opened_on, now=now - datetime.timedelta(days=61))
    at = now - datetime.timedelta(days=61)
    units = people.stock_shelves(the_shop, count=families * 2, opened_on=opened_on, at=at, chance=run.chance)
    programme = next(each for each in the_shop.programmes if each.kind == "band")
    lead = the_shop.people[Role.MANAGER.value]
    staff = [User.objects.create_user(email=f"t{n}@rentals.example", name=f"T{n}", role=Role.SPECIALIST) for n in range(TABLETS)]
    facts = nights.NightFacts(
        on=today,
        begins_at=datetime.time(17, 30),
        ends_at=datetime.time(20, 0),
        room="Gym",
        expected_families=families,
        location=the_shop.locations[0],
        programmes=[programme],
        staff=staff,
        lead=staff[0],
    )
    planned = nights.plan_night(school=programme.school, facts=facts, request_key=uuid.uuid4(), acting_user=lead, now=now)
    playable = [unit for unit in units if people.plays_in(programme, unit.item)]
    for unit in playable[: int(families * (1 - TWICE / 2))]:
        nights_packing.load(night=planned, instrument=unit, acting_user=lead, now=now)
    return planned, staff


def _sign_up(evening: Night, families: int, chance: random.Random) -> list[list[dict[str, Any]]]:
    """Make every tablet's sign-ups: each unit once, and `TWICE` of the families a unit that another one was promised, too."""
    pack = make_pack(evening, made_at=clock.now())
    devices = [uuid.UUID(int=chance.getrandbits(128)) for _ in range(TABLETS)]
    once = list(pack["units"])
    chance.shuffle(once)
    made: list[list[dict[str, Any]]] = [[] for _ in devices]
    for number in range(1, families + 1):
        unit = once[(number - 1) % len(once)]
        place = number % TABLETS
        made[place].append(make_envelope(pack, number=number, device=devices[place], unit=unit, made_at=clock.now()))
    return made


def _sender(address: Any, person: User) -> Sender:
    client = Client()
    client.force_login(person)
    client.get(reverse("home"))
    session = f"{settings.SESSION_COOKIE_NAME}={client.cookies[settings.SESSION_COOKIE_NAME].value}"
    token = client.cookies["csrftoken"].value if "csrftoken" in client.cookies else "a" * 32
    return Sender((address[0], address[1]), session, token, reverse("night_take_in"))


def _send(senders: list[Sender], envelopes: list[list[dict[str, Any]]], run: Run) -> None:
    networks = [Network(random.Random(run.chance.getrandbits(64))) for _ in senders]  # noqa: S311 - repeatable, not secret
    with ThreadPoolExecutor(len(senders)) as pool:
        done = [pool.submit(each.send_all, those, how) for each, those, how in zip(senders, envelopes, networks, strict=True)]
        for result in done:
            result.result()


def _account(envelopes: list[list[dict[str, Any]]], senders: list[Sender]) -> dict[str, Any]:
    """Hold what was made against what is kept: nothing lost, nothing twice, and the books in order."""
    made = {each["id"] for those in envelopes for each in those}
    kept = {str(pk) for pk in NightSignUp.objects.values_list("pk", flat=True)}
    out = AgreementUnit.objects.values("instrument").annotate(n=Count("pk")).filter(n__gt=1)
    outcomes = [outcome for sender in senders for outcome in sender.outcomes.values()]
    durations = [seconds for sender in senders for seconds in sender.durations]
    return {
        "units_twice": out.count(),
        "lost": len(made - kept),
        "doubled": Agreement.objects.count() - NightSignUp.objects.filter(agreement__isnull=False).count(),
        "books_clean": _books_clean(),
        "outcomes": {name: outcomes.count(name) for name in sorted(set(outcomes))},
        "requests": len(durations),
        "p50": in_ms(durations)["p50"],
        "p95": in_ms(durations)["p95"],
    }


def _books_clean() -> bool:
    try:
        call_command("verify_books", stdout=io.StringIO(), stderr=io.StringIO())
    except SystemExit as told:
        return not told.code
    return True


def _call(evening: Night, staff: list[User]) -> dict[str, Any]:
    """Let forty people empty a line of a hundred, by the operation and by the one statement, in turn."""

    def fill() -> None:
        WaitingNumber.objects.all().delete()
        now = clock.now() - datetime.timedelta(minutes=1)
        rows = (WaitingNumber(night=evening, number=n, place=n * line.STEP, came_at=now) for n in range(1, NUMBERS + 1))
        WaitingNumber.objects.bulk_create(rows)

    def by_statement(person: User) -> bool:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(CLAIM, [person.pk, evening.pk])
            return cursor.fetchone() is not None

    def by_operation(person: User) -> bool:
        return line.call_next(night=evening, acting_user=person, device=uuid.uuid4(), now=clock.now()) is not None

    rounds: dict[str, list[tuple[float, list[float]]]] = {"floor": [], "ours": []}
    for _ in range(3):
        for name, act in (("floor", by_statement), ("ours", by_operation)):
            fill()
            rounds[name].append(_empty(act, staff))
    floor, ours = (min(seconds for seconds, _ in rounds[name]) for name in ("floor", "ours"))
    calls = [seconds for _, those in rounds["ours"] for seconds in those]
    return {
        "seconds": round(ours, 4),
        "floor_seconds": round(floor, 4),
        "per_second": round(NUMBERS / ours),
        "floor_per_second": round(NUMBERS / floor),
        "call_ms": in_ms(calls),
        "call_p95_of_p50": round(percentile(calls, 95) / percentile(calls, 50), 2),
    }


def _empty(act: Any, staff: list[User]) -> tuple[float, list[float]]:
    durations: list[float] = []
    start = threading.Barrier(CALLERS + 1)

    def work(place: int) -> None:
        try:
            connection.ensure_connection()
            start.wait()
            going = True
            while going:
                began = time.perf_counter()
                going = act(staff[place % len(staff)])
                durations.append(time.perf_counter() - began)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=work, args=[place]) for place in range(CALLERS)]
    for thread in threads:
        thread.start()
    start.wait()
    began = time.perf_counter()
    for thread in threads:
        thread.join()
    return time.perf_counter() - began, durations
