"""Tablets of the bench: they sign invented families up from the pack alone, and send over a network that fails as it is told."""

import datetime
import hashlib
import http.client
import json
import random
import threading
import time
import uuid
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from rentals.agreements import night_text, wording
from rentals.runtime.money import ZERO
from rentals.runtime.templatetags.office import money, phone

GIVE_UP_AFTER = 200
TOWN = {"city": "Springdale", "state": "IL", "postal_code": "62704"}


@dataclass(frozen=True)
class Network:
    """How often something happens to a request, and to its answer; from a chance of its own, so that a seed gives it again."""

    chance: random.Random
    lost: float = 0.15
    unanswered: float = 0.15
    twice: float = 0.10


@dataclass
class Sender:
    """One signed-in tablet's way to the office. `durations` are whole requests in seconds."""

    address: tuple[str, int]
    session: str
    token: str
    where: str
    durations: list[float] = field(default_factory=list)
    outcomes: dict[str, str] = field(default_factory=dict)

    def post(self, envelope: dict[str, Any]) -> tuple[int, dict[str, Any]]:
        """Send one sign-up over a connection of its own and return status and answer."""
        began = time.perf_counter()
        line = http.client.HTTPConnection(*self.address, timeout=60)
        cookies = f"{self.session}; csrftoken={self.token}"
        headers = {"Content-Type": "application/json", "Accept": "application/json", "Cookie": cookies, "X-CSRFToken": self.token}
        line.request("POST", self.where, json.dumps(envelope), headers)
        answer = line.getresponse()
        body = answer.read()
        line.close()
        self.durations.append(time.perf_counter() - began)
        return answer.status, json.loads(body) if answer.getheader("Content-Type", "").startswith("application/json") else {}

    def send_all(self, envelopes: list[dict[str, Any]], network: Network) -> None:
        """Send until everything is answered, in another order each round, as a tablet does whose network comes and goes."""
        waiting = list(envelopes)
        for _ in range(GIVE_UP_AFTER):
            if not waiting:
                return
            network.chance.shuffle(waiting)
            waiting = [each for each in waiting if not self._once(each, network)]
        message = f"{len(waiting)} sign-ups were never answered"
        raise RuntimeError(message)

    def _once(self, envelope: dict[str, Any], network: Network) -> bool:
        if network.chance.random() < network.lost:
            return False
        answered = network.chance.random() >= network.unanswered
        if network.chance.random() < network.twice:
            other = threading.Thread(target=self.post, args=[envelope])
            other.start()
            status, body = self.post(envelope)
            other.join()
        else:
            status, body = self.post(envelope)
        if status != 200 or not answered:
            return False
        self.outcomes[envelope["id"]] = body["outcome"]
        return True


@dataclass(frozen=True)
class Signer:
    """A family that signs: the adult, the child, where they live; `cheque` is the number of the check they pay with, "" cash."""

    given_name: str
    family_name: str
    child: str
    street: str
    grade: int
    cheque: str = ""

    @property
    def initials(self) -> str:
        """What stands in the waiting line."""
        return f"{self.given_name[0]}{self.family_name[0]}"

    def phone(self, number: int) -> str:
        """A telephone number that nobody has, in the office's form."""
        return f"+1312555{number:04d}"


def make_envelope(
    pack: dict[str, Any],
    *,
    number: int,
    device: uuid.UUID,
    unit: dict[str, Any],
    made_at: datetime.datetime,
    signer: Signer | None = None,
    town: dict[str, str] | None = None,
) -> dict[str, Any]:
    """Sign family `number` up for a unit of the pack: price, text and its SHA-256 from the pack alone."""
    item = unit["item"]
    row = next(each for each in pack["prices"] if (each["item"], each["is_new"]) == (item, unit["is_new"]))
    who = signer or Signer("Alex", f"Fam{number:04d}", "Sky", f"{number} Bench Road", 5)
    name = who.family_name
    home = {"name": name, "street": who.street, "unit": "", **TOWN, **(town or {})}
    adult = {"given_name": who.given_name, "family_name": name, "phone": who.phone(number), "email": ""}
    child = {"given_name": who.child, "family_name": name, "grade": who.grade}
    shown = _show(pack, pack["quotes"][row["with"]], unit, home, [adult, child])
    signature = {"signer_name": f"{who.given_name} {name}", "method": "typed", "strokes": "", "signed_at": made_at.isoformat()}
    return {
        "format": 1,
        "id": str(uuid.UUID(int=device.int ^ number)),
        "night": pack["night"]["id"],
        "device": str(device),
        "sequence": number,
        "made_at": made_at.isoformat(),
        "was_offline": True,
        "pack": pack["version"],
        "language": "en",
        "waiting": None,
        "home_form": None,
        "household": home,
        "guardian": adult,
        "student": child,
        "programme": pack["night"]["programmes"][0]["id"],
        "item": item,
        "is_new": unit["is_new"],
        "instrument": unit["id"],
        "plan_version": row["plan_version"],
        "protection": True,
        "goods": [],
        "received_at": "school",
        "shown": shown,
        "signature": {**signature, "consent_version": pack["texts"]["consent"]["version"]},
        "payment": {
            "method": "cheque" if who.cheque else "cash",
            "amount": shown["due_today"],
            "cheque_number": who.cheque,
        },
    }


def _show(
    pack: dict[str, Any], quote: dict[str, Any], unit: dict[str, Any], home: dict[str, str], people: list[dict[str, Any]]
) -> dict[str, Any]:
    """Work out what a family reads: the sums, the text and its SHA-256."""
    adult, child = people
    lines = [(each["words"], Decimal(each["amount"])) for each in quote["due_lines"]]
    due = sum((amount for _, amount in lines), ZERO)
    facts = {
        **{key: home[key] for key in ("city", "state", "postal_code", "street")},
        "guardian": f"{adult['given_name']} {adult['family_name']}",
        "reached": phone(adult["phone"]),
        "number": "",
        "student": f"{child['given_name']} {child['family_name']}",
        "programme": pack["night"]["programmes"][0]["name"],
        "model": next(each["words"] for each in pack["items"] if each["id"] == unit["item"]),
        "tag": unit["tag"],
        "serial": unit["serial"],
        "due_today": money(due),
        "lines": "; ".join(f"{words} {money(amount)}" for words, amount in lines),
    }
    chosen = {
        "family": "new",
        "student_line": "in_programme",
        "unit": "serial" if unit["serial"] else "tag",
        "condition": unit["grade"],
        "receipt": "assigned",
        "due": "due",
    }
    sections = night_text.fill(pack["texts"], quote["sections"], facts, chosen)
    return {
        "due_today": f"{due:.2f}",
        "monthly": quote["each_month"],
        "text_sha256": hashlib.sha256(wording.plain_text(sections).encode()).hexdigest(),
        "text": [{"heading": each.heading, "paragraphs": list(each.paragraphs)} for each in sections],
    }
