"""How agreements end or go on as others, in the program itself: the operations behind the screens of leaving."""

import datetime
from decimal import Decimal

from billing.models import PayoffQuote
from rentals.agreements import wording
from rentals.agreements.moves import Move
from rentals.agreements.operations import SignatureGiven
from rentals.counter.life import buying, ends, exchanging, leaving, reinstating
from tests.inventory.factories import LocationFactory


def signature():
    """The guardian's name, typed."""
    return SignatureGiven("Alex Sample", "typed", wording.consent_wording())


class Leaving:
    """Mixed into the player of `program.py`."""

    def condition(self, amount="", words=""):
        """In good order, at the shop; `amount` is the price of a part that is missing."""
        missing = (ends.Missing(words, Decimal(amount)),) if amount else ()
        return ends.Condition("good", LocationFactory(), missing=missing)

    def take_back(self, on, whose="A", back_on="", amount="", words=""):
        day = datetime.date.fromisoformat(back_on) if back_on else on
        self.move(leaving.take_back, on, whose, back=leaving.GivenBack(day, self.condition(amount, words)))

    def quote(self, on, until, whose="A"):
        self.move(buying.quote_payoff, on, whose, valid_until=datetime.date.fromisoformat(until))

    def buy(self, on, whose="A", quoted=""):
        quote = PayoffQuote.objects.filter(agreement=self.agreements[whose]).last() if quoted else None
        self.move(buying.buy, on, whose, terms=buying.Terms(quote=quote))

    def step_up(self, on, letter, whose="A", amount="", words=""):
        better = self.units[letter]
        self.move(buying.step_up, on, whose, better=better, condition=self.condition(amount, words), shown=None)

    def lose(self, on, kind, whose="A", report="", uncovered="", happened_on=""):
        day = datetime.date.fromisoformat(happened_on) if happened_on else on
        loss = leaving.Loss(kind, day, police_report_number="26-17" if report else "", is_covered=not uncovered)
        self.move(leaving.report_loss, on, whose, loss=loss)

    def exchange(self, on, letter, whose="A", amount="", words="", move=Move.EXCHANGE):
        protected = "protection" in self.given[letter]
        swap = exchanging.Swap(move, self.units[letter], protected, self.condition(amount, words), signature())
        self.agreements[letter] = self.move(exchanging.swap_instrument, on, whose, swap=swap).agreement

    def size_up(self, on, letter, whose="A", amount="", words=""):
        self.exchange(on, letter, whose, amount, words, move=Move.SIZE_UP)

    def reinstate(self, on, whose="A"):
        unit = self.agreements[whose].units.get(role="rented")
        wanted = reinstating.TakeUp(unit.instrument, "protection" in self.given_of(whose), signature())
        self.follows(self.move(reinstating.reinstate, on, whose, wanted=wanted), whose)
