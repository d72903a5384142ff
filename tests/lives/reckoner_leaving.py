"""How rentals end or go on as others, worked out beside the program: mixed into the second opinion of `reckoner.py`."""

from datetime import date, timedelta
from fractions import Fraction

from dateutil.relativedelta import relativedelta

from tests.lives.paper import Rental, cents, share


class Leaving:
    """What is owed when a rental ends, and where its credit goes."""

    def take_back(self, on: date, whose: str = "A", back_on: str = "", amount: str = "", words: str = "") -> None:
        rental, day = self.rentals[whose], date.fromisoformat(back_on) if back_on else on
        self._settle(rental, day, by_days=self.plan.get("part month") == "days")
        self._rest_of_school_year(rental, day)
        self._missing(rental, day, amount)
        rental.end("returned", day)

    def quote(self, on: date, until: str, whose: str = "A") -> None:
        rental = self.rentals[whose]
        self.quotes[whose] = (self._net(rental), date.fromisoformat(until))

    def buy(self, on: date, whose: str = "A", quoted: str = "") -> None:
        """Rent that begins today is owed no more; then the price less credit and discount, with the tax of the day."""
        rental = self.rentals[whose]
        self._settle(rental, on)
        net = min(self._net(rental), self.quotes[whose][0]) if quoted else self._net(rental)
        self._sale(rental, on, net)
        rental.end("bought", on)

    def step_up(self, on: date, letter: str, whose: str = "A", amount: str = "", words: str = "") -> None:
        """A better one for its own price less the other share of the credit, at most the plan's part of that price."""
        rental, price = self.rentals[whose], Fraction(self.given[letter]["price"])
        self._settle(rental, on)
        credit = min(
            cents(self.rent_paid(rental) * share(self.plan.get("step-up", "100 %"))),
            cents(price * share(self.plan.get("cap", "100 %"))),
        )
        self._missing(rental, on, amount)
        self._sale(rental, on, price - credit)
        rental.end("stepped up", on)

    def lose(self, on: date, kind: str, whose: str = "A", report: str = "", uncovered: str = "", happened_on: str = "") -> None:
        """With protection the deductible, without it the replacement value; a theft wants its police report."""
        rental, day = self.rentals[whose], date.fromisoformat(happened_on) if happened_on else on
        n = 0
        while rental.span(n).until <= day:
            n += 1
        covered = rental.span(n).protection > 0 and not uncovered and (kind != "stolen" or bool(report))
        value = Fraction(rental.given.get("replacement", "850.00"))
        self._settle(rental, on)
        owed = min(Fraction(self.plan.get("deductible", "0")), value) if covered else value
        if owed:
            self._charge("loss", "loss", on, owed, rental.household, rental=rental)
        rental.end(kind, on)

    def exchange(self, on: date, letter: str, whose: str = "A", amount: str = "", words: str = "") -> None:
        """The next one is billed from the first month that the old one has not billed, today's included."""
        old = self.rentals[whose]
        self._bill_begun(old, on - timedelta(days=1))
        self._apply(old.household)
        self._missing(old, on, amount)
        n = old.first_free(on)
        new = self._follow(old, on, "exchanged", self.given[letter], old.household, letter)
        new.protected = "protection" in self.given[letter]
        new.goes_on_from(old, n)
        self._bill_begun(new, on)
        self._apply(new.household)

    size_up = exchange

    def reinstate(self, on: date, whose: str = "A") -> None:
        """At the terms as signed, in plain months from today."""
        old = self.rentals[whose]
        ended = old.ended, old.ended_on
        new = self._follow(old, on, *ended[:1], old.given, old.household)
        old.ended_on = ended[1]
        new.protected = "protection" in old.given
        if "due day" in self.plan:
            new.move_due_day(0, int(self.plan["due day"]))
        self._bill_begun(new, on)
        self._apply(new.household)

    # how

    def _settle(self, rental: Rental, ended_on: date, *, by_days: bool = False) -> None:
        """Months that begin on the last day or later are owed no more, but the first always is; by days the last is cut."""
        n = 0
        while rental.span(n).begins < ended_on or n == 0:
            n += 1
        last = rental.span(n - 1)
        cut = n - 1 if by_days and ended_on < last.until else None
        again = False
        for bill in [bill for bill in self.bills if bill.rental is rental and bill.number is not None and not bill.void]:
            if bill.number >= n or (bill.number == cut and bill.span.until > ended_on):
                self._void(bill)
                again = again or bill.number == cut
        for k in range(n):
            is_new = k not in rental.billed and not rental.is_held(rental.span(k).begins)
            if is_new or (again and k == cut):
                span = rental.span(k)
                if k == cut:
                    span = span.cut(max(ended_on, span.begins + timedelta(days=1)))
                self._bill_period(rental, k, span)
                self._apply(rental.household)

    def _rest_of_school_year(self, rental: Rental, day: date) -> None:
        """Where the plan has a minimum term: its rent from the last bill's end to May 31, each month by its actual days."""
        if self.plan.get("minimum") != "school-year":
            return
        year = rental.begins_on.year + (rental.begins_on.month >= 5)
        ends = date(year, 6, 1)
        bills = [bill for bill in self.bills if bill.rental is rental and bill.number is not None and not bill.void]
        since = max([bill.span.until for bill in bills] + [day])
        owed, n = Fraction(0), 0
        while rental.span(n).begins < ends:
            span = rental.span(n)
            days = (min(span.until, ends) - max(span.begins, since)).days
            if days > 0:
                owed += cents(span.rent * days / (span.natural - span.begins).days)
            n += 1
        if owed:
            self._charge("fee", "fee", day, owed, rental.household, rental=rental)

    def _missing(self, rental: Rental, on: date, amount: str) -> None:
        if amount:
            rate = self._rate("goods", on, rental.household)
            self._charge("goods", "goods", on, Fraction(amount), rental.household, rate, rental)

    def _net(self, rental: Rental) -> Fraction:
        rest = rental.amount("price") - self.earned(rental)[0]
        return rest - cents(rest * share(self.plan.get("discount", "0 %")))

    def _sale(self, rental: Rental, on: date, net: Fraction) -> None:
        rate = self._rate("goods", on, rental.household)
        if net:
            rate = rate if cents(net * rate) else Fraction(0)
            self._charge("purchase", "instrument", on, net, rental.household, rate, rental)

    def lives_until(self, rental: Rental) -> date:
        """How long credit waits after a return: the plan's months, at least sixty days."""
        months = int(self.plan.get("credit lives", 0))
        return max(rental.ended_on + relativedelta(months=months), rental.ended_on + timedelta(days=60))
