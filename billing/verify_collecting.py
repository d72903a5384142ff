"""Checks of families that owe. Called by `verify`."""

from django.conf import settings

from billing.checking import check, told

GUARDS = [
    "stepsversion_kept",
    "overduestep_kept",
    "overduenotice_kept",
    "overduenotice_follows_steps",
    "stepsversion_is_whole",
    "overduestep_fits",
    "callnote_kept",
    "instalment_kept",
    "arrangement_kept",
    "arrangement_only_ends",
    "arrangement_adds_up",
    "instalment_adds_up",
]


@check(11, "No step was taken while a promise or a payment plan ran")
def paused_means_paused() -> list[str]:
    """A step on a day between the making of an arrangement and its end, or the end of its days of grace."""
    return told(
        """
        SELECT format('household %%s got step %%s for %%s while arrangement %%s ran', h.number, n.step, n.episode_on, a.id)
          FROM billing_overduenotice n JOIN families_household h ON h.id = n.household_id
          JOIN billing_arrangement a ON a.household_id = n.household_id AND n.made_at > a.made_at
           AND (a.ended_at IS NULL OR n.made_at < a.ended_at)
         WHERE (n.made_at AT TIME ZONE %s)::date <= (SELECT min(i.due_on) + a.grace_days FROM billing_instalment i
                                                      WHERE i.arrangement_id = a.id)""",
        [settings.TIME_ZONE],
    )


@check(11, "The installments of every promise and plan add up to it")
def instalments_add_up() -> list[str]:
    """To the cent."""
    return told("""
        SELECT format('the installments of arrangement %s of household %s are %s, not %s',
                      a.id, h.number, sum(i.amount), a.amount)
          FROM billing_arrangement a JOIN families_household h ON h.id = a.household_id
          LEFT JOIN billing_instalment i ON i.arrangement_id = a.id
         GROUP BY a.id, h.id HAVING sum(i.amount) IS DISTINCT FROM a.amount""")
