"""The thousand runs of T18, and a processor that forgets to answer."""

import datetime
import random
from decimal import Decimal

from billing.cards import rules
from billing.cards.ports import Outcome, Page, ProcessorSilentError, Told

NOON = datetime.datetime(2026, 3, 10, 18, tzinfo=datetime.UTC)


class ForgetfulProcessor:
    """Charges at once or not, and often times out afterwards; the family presses again whenever it may. Pure, and fast."""

    code, name, is_practice = "stripe", "Forgetful", False

    def __init__(self, chance):
        self.chance, self.charged, self.open = chance, {}, {}

    def start(self, asked):
        """Do it, and perhaps never say so."""
        self.open[asked.key] = asked.amount
        if self.chance.random() < 0.6:
            self.charged[asked.key] = self.charged.get(asked.key, 0) + 1
        if self.chance.random() < 0.5:
            raise ProcessorSilentError("timeout")
        return Page(f"s-{asked.key}", "https://pages.example/")

    def look_up(self, *, key, session, started_at):
        """Say how it stands, when it answers at all."""
        if self.chance.random() < 0.4:
            raise ProcessorSilentError("timeout")
        if key not in self.open:
            return Outcome(Told.MISSING)
        if key in self.charged:
            return Outcome(Told.PAID, f"s-{key}", f"c-{key}", self.open[key])
        return Outcome(Told.EXPIRED if self.chance.random() < 0.3 else Told.OPEN, f"s-{key}")

    def is_page(self, url):
        """Ours are."""
        return True


class PureOffice:
    """The office's rules without a database: attempts as [key, state, started]."""

    def __init__(self, processor: ForgetfulProcessor) -> None:
        self.processor, self.attempts, self.key = processor, [], 0

    def press(self, now: datetime.datetime) -> None:
        """Start an attempt, where the rules let one start."""
        if not rules.may_begin(each[1] for each in self.attempts):
            return
        self.key += 1
        attempt = [self.key, "started", now]
        self.attempts.append(attempt)
        try:
            self.processor.start(type("Asked", (), {"key": self.key, "amount": Decimal(30)}))
        except ProcessorSilentError:
            attempt[1] = rules.moved(attempt[1], Told.SILENT)

    def sweep(self, now: datetime.datetime) -> None:
        """Ask about what has no end."""
        for attempt in self.attempts:
            if attempt[1] in rules.OPEN:
                try:
                    told = self.processor.look_up(key=attempt[0], session="", started_at=attempt[2]).told
                except ProcessorSilentError:
                    told = Told.SILENT
                told = rules.heard(told, started_at=attempt[2], now=now)
                attempt[1] = attempt[1] if told == Told.MISSING else rules.moved(attempt[1], told)


def run(seed: int) -> PureOffice:
    """A family presses eight times while anything may go wrong; then the sweep goes on alone."""
    chance = random.Random(seed)
    office, now = PureOffice(ForgetfulProcessor(chance)), NOON
    for _ in range(8):
        now += datetime.timedelta(minutes=chance.choice([1, 2, 30]))
        if not any(each[1] == "succeeded" for each in office.attempts):
            office.press(now)
        if chance.random() < 0.7:
            office.sweep(now)
    for _ in range(60):
        now += datetime.timedelta(minutes=30)
        office.sweep(now)
    return office


def test_a_family_is_never_charged_twice_in_a_thousand_runs():
    charged = 0
    for seed in range(1000):
        office = run(seed)
        assert sum(office.processor.charged.values()) <= 1, seed
        assert sum(each[1] == "succeeded" for each in office.attempts) == sum(office.processor.charged.values()), seed
        assert rules.may_begin(each[1] for each in office.attempts), seed
        charged += sum(office.processor.charged.values())
    assert charged > 700, "the runs hardly charge anybody, so they show nothing"


def test_the_runs_can_fail(monkeypatch):
    """Without the rule that blocks another attempt, families are charged twice."""
    monkeypatch.setattr(rules, "may_begin", lambda states: True)
    assert any(sum(run(seed).processor.charged.values()) > 1 for seed in range(100))
