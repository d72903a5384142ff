"""A second opinion on a life's figures, worked out from what is given and what happened. It knows nothing of the program:
days by dateutil, amounts as fractions, rounded half up to the cent wherever a figure is written on paper.
"""

import string
from datetime import date
from fractions import Fraction

from tests.lives.paper import RANK, Bill, Line, Money, Rental, Span, cents, share, written
from tests.lives.reckoner_leaving import Leaving


class Reckoner(Leaving):
    """Lives through one life."""

    def __init__(self, life) -> None:
        self.plan, self.tax = life.given.get("plan", {}), life.given.get("tax", {})
        self.given = life.given
        self.bills: list[Bill] = []
        self.moneys: list[Money] = []
        self.payments: list[Money] = []
        self.exempt_days: tuple[date, date] | None = None
        self.rentals: dict[str, Rental] = {}
        self.quotes: dict[str, tuple[Fraction, date]] = {}
        self.sign(life.begins_on, "A")

    def sign(self, on: date, letter: str, household: str = "1") -> None:
        first = Rental(letter, int(household), self.given[letter], on, protected="protection" in self.given[letter])
        self.rentals[letter] = first
        months = int(self.plan.get("intro months", 0))
        if months:
            first.intro(months, Fraction(first.given.get("intro", first.amount("rent") * months)))
        if "due day" in self.plan:
            first.move_due_day(0, int(self.plan["due day"]))

    def is_refused(self, does, on: date, **said: str) -> None:
        """What is refused changes nothing."""

    # what happens

    def bill(self, on: date) -> None:
        for rental in self.rentals.values():
            if not rental.ended:
                self._bill_begun(rental, on)
        self._apply(1)
        self._apply(2)

    def bill_period(self, on: date, number: str, whose: str = "A", until: str = "") -> None:
        rental = self.rentals[whose]
        span = rental.span(int(number) - 1)
        if until:
            span = span.cut(date.fromisoformat(until))
        self._bill_period(rental, int(number) - 1, span)
        self._apply(rental.household)

    def pay(self, on: date, amount: str, method: str = "cash", household: str = "1") -> None:
        money = Money(len(self.moneys), int(household), on, Fraction(amount))
        self.moneys.append(money)
        self.payments.append(money)
        self._apply(money.household)

    def bounce(self, on: date, number: str) -> None:
        money = self.payments[int(number) - 1]
        money.gone = True
        self._release(money)
        self._apply(money.household)

    def sell(self, on: date, amount: str, words: str, household: str = "1") -> None:
        self._charge("goods", "goods", on, Fraction(amount), int(household), self._rate("goods", on, int(household)))

    def fee(self, on: date, amount: str, words: str, household: str = "1") -> None:
        self._charge("fee", "fee", on, Fraction(amount), int(household))

    def void_period(self, on: date, number: str, whose: str = "A") -> None:
        rental, n = self.rentals[whose], int(number) - 1
        self._void(next(b for b in self.bills if b.rental is rental and b.number == n and not b.void))

    def void_charge(self, on: date, number: str) -> None:
        self._void([bill for bill in self.bills if bill.number is None][int(number) - 1])

    def due_day(self, on: date, number: str, whose: str = "A") -> None:
        self.rentals[whose].move_due_day(self.rentals[whose].first_free(on), int(number))

    def protect(self, on: date, whose: str = "A") -> None:
        self._protection(on, whose, True)

    def unprotect(self, on: date, whose: str = "A") -> None:
        self._protection(on, whose, False)

    def hold(self, on: date, whose: str = "A") -> None:
        self.rentals[whose].holds.append([on, None, False])

    def recall(self, on: date, whose: str = "A") -> None:
        if self.rentals[whose].is_on_hold:
            self.lift(on, whose)
        self.hold(on, whose)

    def lift(self, on: date, whose: str = "A", forgiven: str = "") -> None:
        self.rentals[whose].holds[-1][1:] = [on, bool(forgiven)]

    def transfer(self, on: date, household: str, whose: str = "A") -> None:
        """Bill what has begun, then let another household go on from the first month after that, at the same prices."""
        old = self.rentals[whose]
        self._bill_begun(old, on)
        self._apply(old.household)
        n = old.first_free(on)
        new = self._follow(old, on, "transferred", dict(old.given), int(household))
        new.goes_on_from(old, n)

    def void(self, on: date, whose: str = "A") -> None:
        rental = self.rentals[whose]
        rental.end("voided", on)
        for bill in self.bills:
            if bill.rental is rental and not bill.void:
                self._void(bill)

    def exempt(self, on: date, until: str) -> None:
        self.exempt_days = (on, date.fromisoformat(until))

    def close(self, on: date, month: str) -> None:
        """Nothing that a family sees."""

    # what comes of it

    def periods(self) -> list[list[str]]:
        several = len(self.rentals) > 1
        bills = [bill for bill in self.bills if bill.number is not None and not bill.void]
        rows = []
        for bill in sorted(bills, key=lambda b: (b.rental.letter, b.number)):
            label = f"{bill.rental.letter if several else ''}{bill.number + 1}"
            amounts = (bill.sum("rent", tax=False), bill.sum("protection", tax=False), bill.sum(tax=True), bill.sum())
            days = (bill.span.until - bill.span.begins).days
            rows.append([label, str(bill.span.begins), str(bill.span.until), str(days), *map(written, amounts)])
        return rows

    def charges(self) -> list[list[str]]:
        return [
            [bill.label, str(bill.due), *map(written, (bill.sum(tax=False), bill.sum(tax=True), bill.sum()))]
            for bill in self.bills
            if bill.number is None and not bill.void
        ]

    def figures(self, on: date, whose: str) -> list[str]:
        rental = self.rentals[whose]
        credit, step_up = self.credit(rental, on)
        payoff = "-" if rental.ended else written(self.payoff(rental, on))
        return [*map(written, (*self.account(rental.household), credit, step_up)), payoff]

    def account(self, household: int) -> tuple[Fraction, Fraction]:
        """What a household owes (or, negative, has), and how much of its money is not used yet."""
        bills = [bill for bill in self.bills if bill.household == household and not bill.void]
        moneys = [money for money in self.moneys if money.household == household and not money.gone]
        balance = sum((bill.sum() for bill in bills), Fraction(0)) - sum((money.amount for money in moneys), Fraction(0))
        return balance, sum((self._unused(money) for money in moneys), Fraction(0))

    def past_due(self, household: int, on: date) -> Fraction:
        bills = (bill for bill in self.bills if bill.household == household and not bill.void and bill.due <= on)
        return sum((line.open for bill in bills for line in bill.lines), Fraction(0))

    def is_billed(self, rental: Rental, n: int) -> bool:
        return any(bill.rental is rental and bill.number == n and not bill.void for bill in self.bills)

    def may_be_voided(self, letter: str, on: date) -> bool:
        """On the day it was signed, unless it took the place of another."""
        return self.rentals[letter].begins_on == on and self.rentals[letter].before is None

    def credit(self, rental: Rental, on: date) -> tuple[Fraction, Fraction]:
        """What is left of the credit: after a return it waits for a while, otherwise it is used, gone along, or at an end."""
        earned = self.earned(rental)
        if not rental.ended:
            return earned
        waits = rental.ended in {"returned", "written off"} and not rental.is_followed and on <= self.lives_until(rental)
        return earned if waits else (Fraction(0), Fraction(0))

    def earned(self, rental: Rental) -> tuple[Fraction, Fraction]:
        """Rent that money paid along the chain, times the plan's shares, at most the price (or the plan's part of it)."""
        price, paid = rental.amount("price"), self.rent_paid(rental)
        own = min(cents(paid * share(self.plan.get("credit", "100 %"))), cents(price * share(self.plan.get("cap", "100 %"))))
        return own, min(cents(paid * share(self.plan.get("step-up", "100 %"))), price)

    def rent_paid(self, rental: Rental) -> Fraction:
        chain, link = [], rental
        while link:
            chain.append(link)
            link = link.before
        paid = Fraction(0)
        for bill in self.bills:
            if bill.rental in chain and not bill.void:
                for line in bill.lines:
                    if line.kind == "rent" and not line.is_tax:
                        paid += sum((part for key, part in line.paid.items() if not self.moneys[key].is_note), Fraction(0))
        return paid

    def payoff(self, rental: Rental, on: date) -> Fraction:
        """What is left of the price, less the discount, with its tax, and all that is past due."""
        net = self._net(rental)
        return net + cents(net * self._rate("goods", on, rental.household)) + self.past_due(rental.household, on)

    # how

    def _rate(self, sort: str, on: date, household: int) -> Fraction:
        if household == 1 and self.exempt_days and self.exempt_days[0] <= on <= self.exempt_days[1]:
            return Fraction(0)
        rate = share(self.tax.get(sort, "0 %"))
        for word, value in sorted(self.tax.items()):
            if word.startswith(f"{sort} from ") and date.fromisoformat(word.split()[-1]) <= on:
                rate = share(value)
        return rate

    def _bill_begun(self, rental: Rental, on: date) -> None:
        n = 0
        while rental.span(n).begins <= on:
            if n not in rental.billed and not rental.is_held(rental.span(n).begins):
                self._bill_period(rental, n, rental.span(n))
            n += 1

    def _follow(self, old: Rental, on: date, why: str, given: dict[str, str], household: int, letter: str = "") -> Rental:
        """End a rental and begin the one after it, which takes its credit along."""
        old.end(why, on)
        letter = letter or next(each for each in string.ascii_uppercase if each not in {*self.given, *self.rentals})
        new = Rental(letter, household, given, on, protected=old.protected, before=old)
        old.is_followed = True
        self.rentals[letter] = new
        return new

    def _bill_period(self, rental: Rental, n: int, span: Span) -> None:
        if span.is_free:
            return
        lines = []
        for kind, amount in (("rent", span.part(span.rent)), ("protection", span.part(span.protection))):
            lines += (
                self._lines(kind, amount, self._rate(kind, span.begins, rental.household)) if amount or kind == "rent" else []
            )
        rental.billed.add(n)
        self.bills.append(Bill("", rental.household, span.begins, lines, rental, n, span))

    def _charge(self, label, kind, on, amount, household, rate=Fraction(0), rental=None) -> None:
        self.bills.append(Bill(label, household, on, self._lines(kind, amount, rate), rental))
        self._apply(household)

    @staticmethod
    def _lines(kind: str, amount: Fraction, rate: Fraction) -> list[Line]:
        return [Line(kind, False, amount), *([Line(kind, True, cents(amount * rate))] if rate else [])]

    def _protection(self, on: date, whose: str, wanted: bool) -> None:
        rental = self.rentals[whose]
        n = rental.first_free(on)
        rental.protected = wanted
        for span in rental.spans[n:]:
            months = (span.natural.year - span.begins.year) * 12 + span.natural.month - span.begins.month
            span.protection = rental.amount("protection") * max(months, 1) if wanted else Fraction(0)

    def _void(self, bill: Bill) -> None:
        bill.void = True
        for line in bill.lines:
            line.paid.clear()
        self._apply(bill.household)

    def _release(self, money: Money) -> None:
        for bill in self.bills:
            for line in bill.lines:
                line.paid.pop(money.key, None)

    def _unused(self, money: Money) -> Fraction:
        used = sum((line.paid.get(money.key, Fraction(0)) for bill in self.bills for line in bill.lines), Fraction(0))
        return money.amount - used

    def _apply(self, household: int) -> None:
        """Money in the order it came, notes after money, pays what is open: the oldest due day first, rent before the rest."""
        open_lines = [
            (bill.due, RANK[line.kind], place, position, line)
            for place, bill in enumerate(self.bills)
            if bill.household == household and not bill.void
            for position, line in enumerate(bill.lines)
            if line.open
        ]
        lines = [line for *_, line in sorted(open_lines, key=lambda each: each[:4])]
        mine = (money for money in self.moneys if money.household == household and not money.gone)
        for money in sorted(mine, key=lambda m: (m.is_note, m.on, m.key)):
            left = self._unused(money)
            for line in lines:
                part = min(left, line.open)
                if part:
                    line.paid[money.key] = line.paid.get(money.key, Fraction(0)) + part
                    left -= part
