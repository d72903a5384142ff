"""The demo's autopay: a few families authorised it, a file of debits left three weeks ago, and one of them came back.

The account numbers are made up; the routing numbers pass their check and belong to examples of standards and libraries.
"""

import datetime
from decimal import Decimal
from pathlib import Path

from django.conf import settings

from billing import charges, queries
from billing.autopay import answering, authorising, filing, noticing, rules, running, setting_up
from billing.models import AutopayRun, AutopaySetup
from rentals.counter.demo.history import Story
from rentals.counter.demo.money import list_families_without_debt
from rentals.staff.models import Role

SETUP = AutopaySetup(
    bank_name="FIRST EXAMPLE BANK",
    bank_routing="056005075",
    origin="1990000001",
    company_name="TAMARACK STRINGS",
    company_id="1990000001",
    approval_limit=Decimal(500),
)
ROUTING = ("076401251", "111000025", "051402259", "114000653")
FIRST_DAY = datetime.timedelta(days=34)
FILLER = "9" * 94
RETURNS = "autopay-returns.ach"


def put_on_autopay(story: Story) -> None:
    """Let four families authorise, debit them, bring one debit back, and tell what comes next."""
    began_on = story.today - FIRST_DAY
    bookkeeper, manager = story.shop.people[Role.BOOKKEEPER.value], story.shop.people[Role.MANAGER.value]
    setting_up.write_setup(setup=SETUP, acting_user=manager)
    households = [each for each in list_families_without_debt(story) if queries.sum_balance(each.pk) == 0][:4]
    for place, household in enumerate(households):
        guardian = household.guardians.order_by("-is_primary", "pk")[0]
        given = authorising.Authorised(
            household=household,
            guardian=guardian,
            account_type="savings" if place == 2 else "checking",
            routing_number=ROUTING[place % len(ROUTING)],
            account_number=f"40070{place + 1}{household.pk:06}",
            authorised_on=began_on,
        )
        then = story.now - FIRST_DAY
        authorising.authorise(given=given, acting_user=bookkeeper, now=then)
        charges.charge_fee(
            household=household,
            on=began_on,
            description="Books and supplies",
            amount=Decimal("24.50") + place,
            acting_user=bookkeeper,
            now=then,
        )
    if households:  # a handful of families may all owe something
        _debit(story, began_on)


def _debit(story: Story, began_on: datetime.date) -> None:
    bookkeeper = story.shop.people[Role.BOOKKEEPER.value]
    noticing.give_notices(today=began_on, now=story.now - FIRST_DAY, acting_user=bookkeeper)
    debit_on = noticing.debit_day(began_on)
    left_on = rules.banking_day_before(debit_on)
    then = story.now - (story.today - left_on)
    run = running.prepare_run(wanted_on=debit_on, acting_user=bookkeeper, now=then, today=left_on)
    run = running.let_out(run=run, acting_user=bookkeeper, now=then, today=left_on)
    came_back_on = rules.banking_day_after(debit_on, 2)
    content = write_returns(run, came_back_on)
    file = answering.read_answers(content=content, file_name=RETURNS, acting_user=bookkeeper, now=then)
    answering.take_in(file=file, acting_user=bookkeeper, now=story.now, today=came_back_on)
    running.settle_run(run=run, acting_user=bookkeeper, now=story.now)
    Path(settings.STATE_DIR, RETURNS).write_bytes(content)
    noticing.give_notices(today=story.today, now=story.now, acting_user=bookkeeper)


def write_returns(run: AutopayRun, on: datetime.date, reason: str = "R01") -> bytes:
    """Write what the bank sends when the first debit of a run came back (Nacha 2013, appendix 4, part 4.3.5)."""
    sent = b"".join(filing.read_parts(run.file)).decode().splitlines()
    first = next(line for line in sent if line.startswith("6"))
    bank, ours, own = first[3:11], sent[0][4:13], f"{first[3:11]}0000001"
    totals = f"000002{int(ours[:8]):010}{first[29:39]:0>12}{0:012}"
    lines = [
        f"101 {ours:<9}{' ' + ours}{on:%y%m%d}0915A094101{sent[0][63:86]}{sent[0][40:63]}{'':8}",
        f"{sent[1][:69]}{run.effective_on:%y%m%d}   1{bank}0000001",
        f"6{first[1]}6{ours}{first[12:78]}1{own}",
        f"799{reason}{first[79:94]}{'':6}{bank}{'':44}{own}",
        f"8225{totals}{sent[1][40:50]}{'':25}{bank}0000001",
        f"900000100000100000002{totals[6:]}{'':39}",
    ]
    return "\n".join([*lines, *[FILLER] * 4, ""]).encode()
