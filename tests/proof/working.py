"""The released code at work while a database is migrated: `python -m tests.proof.working payments` until its input is closed.

Says at the end, as JSON, how many acts it did, the seconds that the slowest took, and what went wrong.
"""

import json
import random
import sys
import threading
import time
from decimal import Decimal

import django


def act(kind: str, place: int, worker: int) -> None:
    """Do one thing an office does: take a payment, change a guardian's telephone, or read a household's page."""
    from billing.models import Payment
    from billing.payments import record_payment
    from rentals.families.models import Guardian, Household
    from rentals.runtime import clock
    from rentals.staff.models import User

    household = Household.objects.get(pk=place)
    if kind == "payments":
        words = {"received_on": clock.today(), "now": clock.now(), "acting_user": User.objects.get(pk=worker)}
        record_payment(household=household, method=Payment.Method.CASH, amount=Decimal("12.50"), **words)
    elif kind == "telephones":
        Guardian.objects.filter(household=household).update(phone=f"+121755501{place % 100:02d}")
    else:
        list(Guardian.objects.filter(household=household))
        list(Payment.objects.filter(household=household))


def work(kind: str, most: int, worker: int) -> dict[str, object]:
    """Act at households chosen by chance until the input is closed."""
    over = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), over.set()), daemon=True).start()
    chance, acts, slowest, wrong = random.Random(kind), 0, 0.0, []
    act(kind, 1, worker)
    sys.stdout.write("at work\n")
    sys.stdout.flush()
    while not over.is_set():
        began = time.monotonic()
        try:
            act(kind, chance.randint(1, most), worker)
        except Exception as error:
            wrong.append(f"{type(error).__name__}: {error}")
        acts, slowest = acts + 1, max(slowest, time.monotonic() - began)
        time.sleep(0.005)
    return {"kind": kind, "acts": acts, "slowest": round(slowest, 3), "wrong": wrong[:3]}


if __name__ == "__main__":
    django.setup()
    sys.stdout.write(json.dumps(work(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))) + "\n")
