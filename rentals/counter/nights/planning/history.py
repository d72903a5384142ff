"""What families took before: sign-ups by kind and size, of a night's programmes and of the pool their mix leans on."""

import datetime

from dateutil.relativedelta import relativedelta
from django.db.models import Count, QuerySet

from rentals.agreements.models import Agreement
from schools.models import Night, Programme
from schools.nights_allotment import History

SEASONS = 3
"""Years that count: what was taken longer ago says little of this year's beginners (common practice, no source)."""


def count_history(night: Night, today: datetime.date) -> History:
    """Count the sign-ups of the last three years: the asked programmes' own, and those of the pool.

    A family's first agreement counts, what followed it (an exchange, a bigger size) does not, nor one that was voided. The
    pool is the district's other programmes of the same kinds; where these have none, all other programmes of the shop.
    """
    since = today - relativedelta(years=SEASONS)
    asked = list(night.programmes.all())
    kinds = {each.kind for each in asked}
    signed = Agreement.objects.filter(follows=None, starts_on__gte=since).exclude(end_reason=Agreement.EndReason.VOIDED)
    others = Programme.objects.filter(kind__in=kinds).exclude(pk__in=[each.pk for each in asked])
    own = _count(signed.filter(programme__in=asked))
    pooled, pool = {}, ""
    if night.school.district:
        pooled = _count(signed.filter(programme__in=others.filter(school__district=night.school.district)))
        pool = f"the other schools of {night.school.district}"
    if not pooled:
        pooled = _count(signed.filter(programme__in=others))
        pool = "all other schools we serve"
    return History(own=own, pooled=pooled, pool=pool if pooled else "", counted_from=since)


def _count(signed: QuerySet[Agreement]) -> dict[tuple[str, str], int]:
    rows = signed.values_list("item__kind", "item__size").annotate(count=Count("pk")).order_by()
    return {(kind, size): count for kind, size, count in rows}
