"""What can keep a rental from being signed, ended or lent for, one class each, in sentences for the counter."""

from datetime import date
from typing import TYPE_CHECKING

from rentals.runtime.templatetags.office import day, moment

if TYPE_CHECKING:
    from rentals.agreements.models import Agreement
    from rentals.inventory.models import Hold, Instrument


class InstrumentNotAvailableError(Exception):
    """The instrument is not on a shelf; `where` says where it is, `next_like_it` is the next one to offer (or None)."""

    def __init__(self, instrument: "Instrument", where: str, next_like_it: "Instrument | None") -> None:
        self.instrument, self.where, self.next_like_it = instrument, where, next_like_it
        super().__init__(f"{instrument.asset_tag} cannot be given out: it is {where}. {self.offer}")

    @property
    def offer(self) -> str:
        """What to take instead."""
        if self.next_like_it is None:
            return "There is no other one like it on a shelf."
        return f"The next one like it is {self.next_like_it.asset_tag}."


class InstrumentTakenError(InstrumentNotAvailableError):
    """The instrument is on an open agreement; `holder` is that agreement."""

    def __init__(self, instrument: "Instrument", holder: "Agreement", next_like_it: "Instrument | None") -> None:
        self.holder = holder
        household = holder.household
        where = (
            f"with {household.name} ({household.number}) on agreement {holder.number}, "
            f"signed {moment(holder.signed_at)} by {holder.signed_by}"
        )
        super().__init__(instrument, where, next_like_it)


class InstrumentHeldError(InstrumentNotAvailableError):
    """The instrument is put aside; `hold` says why and by whom."""

    def __init__(self, instrument: "Instrument", hold: "Hold", next_like_it: "Instrument | None") -> None:
        self.hold = hold
        super().__init__(instrument, f"held by {hold.made_by.name} ({hold.reason}); release it on its page", next_like_it)


class TermsChangedError(Exception):
    """Between showing and signing, a price, a rate or the plan changed: the family must see the new text first."""

    def __init__(self) -> None:
        super().__init__(
            "Something in this agreement changed since it was shown. Read the new figures with the family, then sign."
        )


class NotOfThisHouseholdError(Exception):
    """The guardian, the student or the agreement that is exchanged belongs to another household."""

    def __init__(self) -> None:
        super().__init__("The guardian and the student must belong to the household that signs.")


class StartsLaterError(Exception):
    """An agreement cannot start in the future."""

    def __init__(self, starts_on: date) -> None:
        self.starts_on = starts_on
        super().__init__(f"The rental cannot start on {day(starts_on)}: that day is still to come.")


class AgreementEndedError(Exception):
    """The agreement has ended already."""

    def __init__(self, agreement: "Agreement") -> None:
        self.agreement = agreement
        super().__init__(
            f"{agreement.number} ended on {day(agreement.ended_on)} ({agreement.get_end_reason_display().lower()}) already."
        )


class EndsBeforeItBeganError(Exception):
    """An agreement cannot end before its first day."""

    def __init__(self, agreement: "Agreement") -> None:
        self.agreement = agreement
        super().__init__(f"{agreement.number} began on {day(agreement.starts_on)}: it cannot end before that.")


class NoPlaceToReturnError(Exception):
    """The instrument comes back, but nobody said where to."""

    def __init__(self, instrument: "Instrument") -> None:
        self.instrument = instrument
        super().__init__(f"Say at which location {instrument.asset_tag} came back.")


class LoanerOutError(Exception):
    """There is one loaner at a time on an agreement."""

    def __init__(self, instrument: "Instrument") -> None:
        self.instrument = instrument
        super().__init__(f"The family already has the loaner {instrument.asset_tag}.")


class NoLoanerOutError(Exception):
    """There is no loaner to take back."""

    def __init__(self, agreement: "Agreement") -> None:
        self.agreement = agreement
        super().__init__(f"No loaner is out on {agreement.number}.")


class OtherModelError(Exception):
    """The instrument is of another model than the one that was signed for, whose price and text the family agreed to."""

    def __init__(self, instrument: "Instrument", agreement: "Agreement") -> None:
        self.instrument, self.agreement = instrument, agreement
        super().__init__(
            f"{instrument.asset_tag} is a {instrument.item}, and {agreement.number} was signed for a {agreement.item}. "
            "Assign one of that model, or let the family sign an exchange for the other."
        )
