"""Exempt households: recording the certificate under which a family buys without sales tax, and ending it early.

The state decides who is exempt and which certificate proves it; the shop keeps the certificate for the auditor.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from uuid import UUID

from django.db import transaction
from django.db.models import QuerySet

from rentals.agreements.models import TaxArea, TaxExemption
from rentals.families.models import Household
from rentals.runtime.locks import lock_one
from rentals.runtime.templatetags.office import day as written_day
from rentals.staff.models import User
from rentals.staff.operations import claim_request, keep_answer

SOON = timedelta(days=60)
"""A certificate that expires within these days is asked for anew."""


class CertificateMissingError(Exception):
    """No certificate, no exemption."""

    def __init__(self) -> None:
        super().__init__("Write the number of the certificate: without one the family pays sales tax.")


class ExpiresBeforeItBeginsError(Exception):
    """The last day lies before the first."""

    def __init__(self, from_on: date) -> None:
        super().__init__(f"It holds from {written_day(from_on)}, so its last day cannot be earlier.")
        self.from_on = from_on


class ExemptionRecordedAlreadyError(Exception):
    """The same certificate from the same day is written down."""

    def __init__(self, number: str) -> None:
        super().__init__(f"Certificate {number} from this day is written down for this family already.")
        self.number = number


@dataclass(frozen=True)
class Certificate:
    """What stands on a certificate. `area` None: it holds everywhere. `expires_on` is its last day."""

    number: str
    area: TaxArea | None
    from_on: date
    expires_on: date


@transaction.atomic
def record_exemption(
    *,
    household: Household,
    certificate: Certificate,
    acting_user: User,
    now: datetime,
    request_key: UUID | None = None,
) -> TaxExemption:
    """Write down that a household buys without sales tax; it counts for what is billed for a day within, from now on.

    Bills made before stay as they are. Outermost. Raises CertificateMissingError, ExpiresBeforeItBeginsError,
    ExemptionRecordedAlreadyError, RequestKeyReusedError.
    """
    number = certificate.number.strip()
    if not number:
        raise CertificateMissingError
    if certificate.expires_on < certificate.from_on:
        raise ExpiresBeforeItBeginsError(certificate.from_on)
    if request_key is not None:
        area = certificate.area.pk if certificate.area else ""
        request = {"household": household.pk, "number": number, "area": area}
        request |= {"from": certificate.from_on, "expires": certificate.expires_on}
        answer = claim_request(key=request_key, purpose="exemption", request=request, acting_user=acting_user)
        if answer is not None:
            return TaxExemption.objects.get(pk=answer["exemption"])
    lock_one(Household.objects.filter(pk=household.pk))
    same = TaxExemption.objects.filter(household=household, certificate_number=number, from_on=certificate.from_on)
    if same.exists():
        raise ExemptionRecordedAlreadyError(number)
    exemption = TaxExemption.objects.create(
        household=household,
        area=certificate.area,
        certificate_number=number,
        from_on=certificate.from_on,
        expires_on=certificate.expires_on,
        recorded_at=now,
        recorded_by=acting_user,
    )
    if request_key is not None:
        keep_answer(key=request_key, answer={"exemption": exemption.pk})
    return exemption


@transaction.atomic
def end_exemption(*, exemption: TaxExemption, last_on: date) -> TaxExemption:
    """Let an exemption end on another last day than its certificate says: it was withdrawn, or read wrongly.

    Who did it stands in the audit trail. Bills made before stay as they are. Outermost. Raises ExpiresBeforeItBeginsError.
    """
    lock_one(Household.objects.filter(pk=exemption.household_id))
    exemption = lock_one(TaxExemption.objects.filter(pk=exemption.pk))
    if last_on < exemption.from_on:
        raise ExpiresBeforeItBeginsError(exemption.from_on)
    exemption.expires_on = last_on
    exemption.save(update_fields=["expires_on"])
    return exemption


def list_exemptions(household: Household) -> QuerySet[TaxExemption]:
    """List a household's exemptions, the one that lasts longest first."""
    return TaxExemption.objects.filter(household=household).select_related("area", "recorded_by").order_by("-expires_on", "-pk")


def list_expiring(today: date) -> QuerySet[TaxExemption]:
    """List the certificates that expire within `SOON`, the first to expire first, where no later one takes over.

    What has expired lately (within as many days) is listed too: the family pays tax again, and may have forgotten.
    """
    later = TaxExemption.objects.filter(expires_on__gt=today + SOON).values("household")
    rows = TaxExemption.objects.filter(expires_on__gte=today - SOON, expires_on__lte=today + SOON).exclude(household__in=later)
    return rows.select_related("household", "area").order_by("expires_on", "pk")
