"""Reads of autopay that screens share."""

import datetime
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import Count, F, QuerySet, Subquery, Value
from django.db.models.functions import Coalesce, JSONObject

from billing.autopay import codes, rules
from billing.autopay.rules import Rate
from billing.models import (
    AutopayAnswers,
    AutopayAuthorisation,
    AutopayCorrection,
    AutopayEntry,
    AutopayNotice,
    AutopayReturn,
    AutopayRun,
    AutopaySetup,
)

RATE_NAMES = {
    codes.UNAUTHORISED: "Not authorized",
    codes.ADMINISTRATIVE: "Account wrong or closed",
    codes.OVERALL: "All returns",
}


def list_rates(*, today: datetime.date) -> list[Rate]:
    """Count the debits of the last sixty days, by the day of the original entry, and how many came back: three rates."""
    return _rates(dict(_by_reason(today).annotate(count=Count("pk")).values_list("came_back__reason", "count")))


def _by_reason(today: datetime.date) -> QuerySet[AutopayEntry, Any]:
    """The debits that are counted, by the code they came back with, null for those that did not."""
    since = today - datetime.timedelta(days=rules.RATE_DAYS)
    debits = AutopayEntry.objects.filter(state=AutopayEntry.State.SENT, run__effective_on__gt=since, run__effective_on__lte=today)
    return debits.order_by().values("came_back__reason")


def _rates(by_reason: Mapping[str | None, int]) -> list[Rate]:
    counted = sum(by_reason.values())
    returned = dict.fromkeys(codes.LIMITS, 0)
    for code, count in by_reason.items():
        if code is None:
            continue
        group = codes.reason_of(code).group
        returned[codes.OVERALL] += count
        if group != codes.OVERALL:
            returned[group] += count
    return [Rate(RATE_NAMES[group], returned[group], counted, limit) for group, limit in codes.LIMITS.items()]


def get_run(run_id: int) -> QuerySet[AutopayRun]:
    """Return the run with who did what, as a queryset for a view."""
    people = ("prepared_by", "approved_by", "sent_by", "ended_by", "deposit", "file")
    return AutopayRun.objects.filter(pk=run_id).select_related(*people)


def list_runs() -> QuerySet[AutopayRun]:
    """List the runs, newest first, with how many of their debits came back."""
    came_back = Count("entries__came_back")
    return AutopayRun.objects.select_related("prepared_by").annotate(came_back_count=came_back).order_by("-pk")


def list_entries(run: AutopayRun) -> QuerySet[AutopayEntry]:
    """List a run's debits with family, payment and return."""
    related = ("household", "authorisation", "payment", "came_back", "notice")
    return AutopayEntry.objects.filter(run=run).select_related(*related).order_by("state", "household__name", "pk")


def list_open_notices() -> QuerySet[AutopayNotice]:
    """List what families were told and what has not been debited yet, by day."""
    return (
        AutopayNotice.objects.filter(closed_at=None)
        .select_related("household", "authorisation__household", "message")
        .order_by("debit_on", "household__name", "pk")
    )


def list_about_to_be_debited(household_ids: Collection[int], *, today: datetime.date) -> set[int]:
    """Return those of these households that were told of a debit which may still be made."""
    told = AutopayNotice.objects.filter(household__in=household_ids, closed_at=None).values_list("household_id", "debit_on")
    return {household_id for household_id, debit_on in told if today <= rules.latest_debit(debit_on)}


def list_answers() -> QuerySet[AutopayAnswers]:
    """List the bank's files, newest first, without what is sealed."""
    counted = AutopayAnswers.objects.defer("sealed").select_related("read_by", "taken_by")
    return counted.annotate(returned=Count("returns", distinct=True), corrected=Count("corrections", distinct=True)).order_by(
        "-pk"
    )


def list_returns(file: AutopayAnswers) -> QuerySet[AutopayReturn]:
    """List what a file that was taken in brought back."""
    return AutopayReturn.objects.filter(file=file).select_related("entry__household", "entry__payment", "message").order_by("pk")


def list_corrections(file: AutopayAnswers) -> QuerySet[AutopayCorrection]:
    """List what a file that was taken in corrected."""
    return AutopayCorrection.objects.filter(file=file).select_related("entry__household").order_by("pk")


@dataclass(frozen=True)
class HouseholdAutopay:
    """Autopay on a household's page: what is in force, what was before, what was told, the last debits."""

    in_force: AutopayAuthorisation | None
    before: list[AutopayAuthorisation]
    notice: AutopayNotice | None
    entries: list[AutopayEntry]
    same_account_elsewhere: int


def get_household_autopay(household_id: int) -> HouseholdAutopay:
    """Return what a household's page shows, in four queries."""
    all_of_them = list(
        AutopayAuthorisation.objects.filter(household_id=household_id)
        .defer("account_sealed")
        .select_related("guardian", "taken_by", "ended_by", "document")
        .order_by("-pk")
    )
    in_force = next((each for each in all_of_them if each.is_in_force), None)
    elsewhere = 0
    if in_force is not None:
        same = AutopayAuthorisation.objects.filter(account_index=in_force.account_index, ended_at=None)
        elsewhere = same.exclude(household_id=household_id).count()
    return HouseholdAutopay(
        in_force=in_force,
        before=[each for each in all_of_them if not each.is_in_force],
        notice=list_open_notices().filter(household_id=household_id).first(),
        entries=list(
            AutopayEntry.objects.filter(household_id=household_id, payment__isnull=False)
            .select_related("run", "payment", "came_back")
            .order_by("-pk")[:12]
        ),
        same_account_elsewhere=elsewhere,
    )


@dataclass(frozen=True)
class Standing:
    """What the bank gave the shop, if it did; how many families are on autopay; how many debits come back."""

    setup: AutopaySetup | None
    in_force: int
    rates: list[Rate]


def get_standing(*, today: datetime.date) -> Standing:
    """Return how autopay stands, in one query; before the bank's details are written down nobody is on it."""
    in_force = AutopayAuthorisation.objects.filter(ended_at=None)
    count = in_force.order_by().values(one=Value(1)).annotate(n=Count("pk")).values("n")
    pairs = _by_reason(today).annotate(pair=JSONObject(reason=F("came_back__reason"), count=Count("pk"))).values("pair")
    rows = AutopaySetup.objects.annotate(in_force=Coalesce(Subquery(count), 0), by_reason=ArraySubquery(pairs))
    setup = rows.first()
    if setup is None:
        return Standing(None, 0, _rates({}))
    return Standing(setup, setup.in_force, _rates({pair["reason"]: pair["count"] for pair in setup.by_reason}))
