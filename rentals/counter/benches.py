"""Benches of the search, of the screens and of the fleet, over invented families and instruments in a scratch database."""

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from itertools import cycle, islice
from typing import Any

from django.conf import settings
from django.db import connection, connections
from django.http import HttpRequest, HttpResponse
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import include, path, reverse

from rentals.counter import bench_data, bench_fleet
from rentals.counter.nights.board.bench import night
from rentals.families.queries import find_household_ids
from rentals.inventory.models import Instrument
from rentals.runtime.benches import Report, Run, bench, in_ms, percentile, timed
from rentals.staff.limits import SEARCHES
from rentals.staff.models import Role, User
from rentals.staff.policy import open_to_all

PEOPLE = 250_000
INSTRUMENTS = 200_000
HOUSEHOLDS = 60_000
TOGETHER = 2
ROLES = {"bench_queue": Role.TECHNICIAN}
"""Who opens a screen; the specialist everything else."""

WHOLE_NAMES = """
CREATE TABLE bench_names AS SELECT household_id, search_words(given_name || ' ' || family_name) AS name FROM families_guardian
UNION ALL SELECT household_id, search_words(given_name || ' ' || family_name) FROM families_student;
CREATE INDEX ON bench_names USING gin (name gin_trgm_ops);
ANALYZE;
"""
BY_WHOLE_NAME = "SELECT household_id FROM bench_names WHERE name %% %s ORDER BY similarity(name, %s) DESC LIMIT 10"


@bench("search")
def search(run: Run) -> Report:
    """Look for people and instruments as somebody types; against one round trip, and against trigrams of whole names."""
    people = bench_data.fill_families(run, people=run.count(PEOPLE), names=run.count(12_600))
    bench_data.fill_instruments(run, run.count(INSTRUMENTS))
    run.tell("an index of whole names, to compare with")
    with connection.cursor() as cursor:
        cursor.execute(WHOLE_NAMES)
    rounds = max(60, min(400, run.count(400)))
    chosen = [run.chance.choice(people) for _ in range(rounds)]
    run.tell("asking")
    asked = [act for person in chosen for act in (partial(_ask, "SELECT 1"), _looking(person.family[:3]))]
    both = _durations(asked)  # in turn, so that both meet the same machine
    trip, prefix = both[::2], both[1::2]
    longer = _durations([_looking(f"{person.given} {person.family[:4]}") for person in chosen])
    digits = _durations([_looking(person.phone[-4:]) for person in chosen])
    ends = _durations([_by_serial(run.chance.randrange(run.count(INSTRUMENTS))) for _ in chosen])
    fragment = _durations([_looking(person.family[2:6]) for person in chosen])
    misspelt = [(person, bench_data.misspell(person, run.chance)) for person in chosen]
    ours, theirs, hits, their_hits = [], [], 0, 0
    for person, text in misspelt:
        began = time.perf_counter()
        found = find_household_ids(text, 10)
        ours.append(time.perf_counter() - began)
        began = time.perf_counter()
        alike = _ask(BY_WHOLE_NAME, text, text)
        theirs.append(time.perf_counter() - began)
        hits += person.household in found
        their_hits += person.household in [row[0] for row in alike]
    requests, slow_requests = _requests(chosen, misspelt)
    return {
        "size": {"people": run.count(PEOPLE), "instruments": Instrument.objects.count()},
        "seconds": round(percentile(prefix, 95), 6),
        "floor_seconds": round(percentile(trip, 50), 6),
        "prefix_ms": in_ms(prefix),
        "two_words_ms": in_ms(longer),
        "phone_end_ms": in_ms(digits),
        "serial_end_ms": in_ms(ends),
        "fragment_ms": in_ms(fragment),
        "typo_ms": in_ms(ours),
        "typo_hit_rate": round(hits / rounds, 3),
        "whole_name_typo_ms": in_ms(theirs),
        "whole_name_hit_rate": round(their_hits / rounds, 3),
        "typo_ratio": round(percentile(ours, 95) / percentile(theirs, 95), 3),
        "request_ms": in_ms(requests),
        "request_typo_ms": in_ms(slow_requests),
    }


def _durations(acts: list[Callable[[], Any]]) -> list[float]:
    for act in acts[:10]:
        act()
    return [timed(act) for act in acts]


def _looking(text: str) -> Callable[[], Any]:
    return lambda: find_household_ids(text, 10)


def _by_serial(place: int) -> Callable[[], Any]:
    end = bench_data.serial_number(place)[-6:]
    return lambda: list(Instrument.objects.filter(serial_number__endswith=end).values_list("pk")[:10])


def _ask(statement: str, *parameters: str) -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(statement, parameters or None)
        return list(cursor.fetchall())


def _requests(chosen: list[Any], misspelt: list[Any]) -> tuple[list[float], list[float]]:
    address = reverse("search")

    def asking(texts: list[str]) -> list[Callable[[], Any]]:
        # So many for each person that nobody is told to slow down.
        clients = [signed_in(Role.SPECIALIST) for _ in range(0, len(texts), SEARCHES // 2)]
        return [partial(ask, clients[place // (SEARCHES // 2)], text) for place, text in enumerate(texts)]

    def ask(client: Client, text: str) -> None:
        answer = client.get(address, {"q": text}, headers={"HX-Request": "true"})
        assert answer.status_code == 200, answer.status_code

    return _durations(asking([person.family[:3] for person in chosen])), _durations(asking([text for _, text in misspelt]))


def signed_in(role: Role) -> Client:
    """Return a client signed in as a new person of a role."""
    email = f"{role}-{time.perf_counter_ns()}@rentals.example"
    client = Client()
    client.force_login(User.objects.create_user(email=email, name="Bench", role=role))
    client.get(reverse("home"))  # the first request of a session also writes down when it began
    return client


def bare(request: HttpRequest) -> HttpResponse:
    """Answer with nothing: what the frame itself costs."""
    return HttpResponse("ok")


urlpatterns = [path("bare/", open_to_all(bare), name="bare"), path("", include("rentals.urls"))]


@bench("pages")
def pages(run: Run) -> Report:
    """Open the office's screens by one client and by two, against a view that does nothing."""
    settings.ROOT_URLCONF = "rentals.counter.benches"
    count = run.count(HOUSEHOLDS)
    bench_data.fill_families(run, people=int(count * 2.5), names=max(200, count // 5))
    bench_data.fill_instruments(run, count)
    bench_data.fill_accounts(run)
    addresses = bench_data.addresses(count)
    rounds = max(30, min(200, run.count(200)))
    specialist = signed_in(Role.SPECIALIST)
    run.tell("opening pages")
    floor = _durations([lambda: specialist.get(reverse("bare"))] * (rounds * 5))
    screens = {name: _measure(ROLES.get(name, Role.SPECIALIST), texts, rounds) for name, texts in addresses.items()}
    slowest = max(screens.values(), key=lambda screen: float(screen["p95_ms_of_two"]))
    households = float(screens["households"]["ms"]["p50"]) / 1000
    return {
        "size": {"households": count},
        "seconds": round(households, 6),
        "floor_seconds": round(percentile(floor, 50), 6),
        "of_bare_view": round(percentile(floor, 50) / households, 4),
        "bare_per_second": round(1 / percentile(floor, 50)),
        "most_queries": max(screen["queries"] for screen in screens.values()),
        "p95_ms_of_two": slowest["p95_ms_of_two"],
        "screens": screens,
    }


def _measure(role: Role, addresses: list[str], rounds: int) -> dict[str, Any]:
    """Open a screen's addresses in turn: queries, time alone, and time while another client does the same."""
    client, queries = signed_in(role), 0
    for address in addresses[:3]:
        with CaptureQueriesContext(connection) as seen:
            answer = client.get(address)
        if answer.status_code != 200:
            message = f"{address} answered {answer.status_code}"
            raise RuntimeError(message)
        queries = max(queries, len(seen))
    alone = _durations([_opening(client, address) for address in islice(cycle(addresses), rounds)])
    with ThreadPoolExecutor(TOGETHER) as pool:
        both = [time for part in pool.map(lambda _: _round(role, addresses, rounds), range(TOGETHER)) for time in part]
    return {
        "queries": queries,
        "ms": in_ms(alone),
        "p95_ms_of_two": in_ms(both)["p95"],
        "p95_to_p50_of_two": round(percentile(both, 95) / percentile(both, 50), 2),
    }


def _opening(client: Client, address: str) -> Callable[[], Any]:
    return lambda: client.get(address)


def _round(role: Role, addresses: list[str], rounds: int) -> list[float]:
    client = signed_in(role)
    try:
        return _durations([_opening(client, address) for address in islice(cycle(addresses), rounds)])
    finally:
        connections.close_all()


@bench("fleet")
def fleet(run: Run) -> Report:
    """Scan, count and add up two hundred thousand instruments with three million moves; against one pass over the moves."""
    return bench_fleet.measure(run, signed_in)


bench("night")(night)
