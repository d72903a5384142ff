"""What a run brings to families that signed and wait: offered, assigned in one step, brought by the van, nothing half done."""

import datetime
import uuid

import pytest
from django.urls import reverse

from billing import verify
from rentals.counter.runs import operations, promised
from rentals.counter.runs.operations import Handover
from rentals.inventory import queries
from rentals.inventory.models import Custody
from schools import runs
from schools.models import HomeErrand, Load
from tests.agreements.factories import AgreementFactory, UnitPromiseFactory
from tests.inventory.factories import CatalogueItemFactory, HoldFactory, InstrumentFactory, LocationFactory
from tests.schools.factories import ErrandFactory, ProgrammeFactory, RunFactory

pytestmark = pytest.mark.django_db
MORNING = datetime.datetime(2026, 11, 24, 14, 0, tzinfo=datetime.UTC)


@pytest.fixture
def run():
    return RunFactory(on=MORNING.date())


@pytest.fixture
def item():
    return CatalogueItemFactory()


def stands(item, run, **facts):
    return InstrumentFactory(item=item, place__location=run.location, **facts)


def promise(item, **facts):
    return UnitPromiseFactory(agreement=AgreementFactory(item=item, **facts))


def bring(run, waiting, unit, *, to_school=False, key=None, now=MORNING):
    return promised.bring_promised(
        run=run,
        promise=waiting,
        instrument=unit,
        to_school=to_school,
        request_key=key or uuid.uuid4(),
        acting_user=run.driver,
        now=now,
    )


def chain_of(unit):
    return list(Custody.objects.filter(instrument=unit).order_by("began_at", "pk").values_list("place", flat=True))


class TestListPromised:
    def test_offers_each_family_another_one_the_named_one_to_whom_it_was_named(self, run, item):
        first, second, third = (promise(item) for _ in range(3))
        units = [stands(item, run) for _ in range(2)]
        second.promised = units[0]
        second.save(update_fields=["promised"])
        offered = {row.promise.pk: row.offered for row in promised.list_promised(run)}
        assert offered == {first.pk: units[1], second.pk: units[0], third.pk: None}

    def test_offers_nothing_that_is_held_asked_for_elsewhere_or_in_another_shop(self, run, item):
        promise(item)
        HoldFactory(instrument=stands(item, run))
        ErrandFactory(instrument=stands(item, run), kind="drop_off")
        InstrumentFactory(item=item, place__location=LocationFactory(code="other", name="Other shop"))
        assert [row.offered for row in promised.list_promised(run)] == [None]

    def test_costs_as_many_queries_for_one_as_for_many(self, run, item, django_assert_num_queries):
        for _ in range(6):
            promise(item, programme=ProgrammeFactory())
            stands(item, run)
        with django_assert_num_queries(2):
            assert all(row.offered and row.school for row in promised.list_promised(run))


class TestBringPromised:
    def test_assigns_it_keeps_it_in_the_shop_and_the_van_hands_it_over(self, run, item):
        waiting, unit = promise(item), stands(item, run)
        load = bring(run, waiting, unit)
        waiting.refresh_from_db()
        assert (waiting.given, waiting.agreement.units.get().instrument) == (unit, unit)
        assert chain_of(unit) == ["shelf", "bench"]
        assert (load.task, load.stop.household) == ("deliver", waiting.agreement.household)
        later = MORNING + datetime.timedelta(minutes=5)
        for minutes, (step, stop) in enumerate((("load", None), ("leave", None), ("stop", load.stop))):
            who = {"acting_user": run.driver, "now": later + datetime.timedelta(minutes=minutes)}
            if step == "leave":
                operations.leave(run=run, **who)
                continue
            said = operations.scan(run=run, step=step, stop=stop, code=unit.asset_tag, key=uuid.uuid4(), **who)
            assert said.tone == "good", said
        who["now"] += datetime.timedelta(minutes=1)
        operations.hand_over(stop=load.stop, to=Handover(receiver="Jo Baton"), key=uuid.uuid4(), **who)
        operations.finish_run(run=run, **who)
        assert chain_of(unit) == ["shelf", "bench", "van", "family"]
        assert queries.get_whereabouts(unit).custody.household == waiting.agreement.household
        assert [found for _, found in verify.run_checks() if found] == []

    def test_takes_it_to_the_school_of_the_agreement(self, run, item):
        programme = ProgrammeFactory()
        load = bring(run, promise(item, programme=programme), stands(item, run), to_school=True)
        assert load.stop.school == programme.school

    def test_sent_twice_is_one_load(self, run, item):
        waiting, unit, key = promise(item), stands(item, run), uuid.uuid4()
        assert bring(run, waiting, unit, key=key) == bring(run, waiting, unit, key=key)
        assert Load.objects.count() == 1

    def test_struck_off_it_waits_for_another_run(self, run, item):
        waiting, unit = promise(item), stands(item, run)
        runs.strike_off(load=bring(run, waiting, unit))
        assert [errand.instrument for errand in runs.list_waiting(on=run.on)[1]] == [unit]

    @pytest.mark.parametrize("case", ["another model", "another shop", "on a run", "no school", "settled", "called off"])
    def test_refuses_and_leaves_everything_as_it_was(self, run, item, case):
        waiting, unit = promise(item), stands(item, run)
        match case:
            case "another model":
                unit = stands(CatalogueItemFactory(kind_code="violin", size="4/4"), run)
            case "another shop":
                unit = InstrumentFactory(item=item, place__location=LocationFactory(code="other", name="Other shop"))
            case "on a run":
                runs.add_errand(run=RunFactory(), errand=ErrandFactory(instrument=unit, kind="drop_off"))
            case "settled":
                bring(run, waiting, stands(item, run))
            case "called off":
                runs.call_off(run=run, acting_user=run.driver, now=MORNING)
        before = (Load.objects.count(), chain_of(unit), HomeErrand.objects.count())
        with pytest.raises(promised.REFUSALS):
            bring(run, waiting, unit, to_school=case == "no school")
        assert (Load.objects.count(), chain_of(unit), HomeErrand.objects.count()) == before


class TestPage:
    def post(self, client, run, waiting, **changes):
        facts = {"tag": "", "to": "home", "request_key": uuid.uuid4(), **changes}
        return client.post(reverse("run_promise", args=[run.pk, waiting.pk]), facts)

    def test_puts_it_on_the_run_in_one_step(self, client_as, run, item):
        client, waiting, unit = client_as("specialist"), promise(item), stands(item, run)
        page = client.get(reverse("run", args=[run.pk])).text
        assert f'value="{unit.asset_tag}"' in page
        assert str(waiting.agreement.student) not in page
        assert self.post(client, run, waiting, tag=unit.asset_tag).status_code == 302
        page = client.get(reverse("run", args=[run.pk])).text
        assert "Signed, and waits for an instrument" not in page
        assert Load.objects.get().instrument == unit

    def test_says_what_is_wrong_and_keeps_what_was_typed(self, client_as, run, item):
        client, waiting = client_as("specialist"), promise(item)
        unknown = self.post(client, run, waiting, tag="QQ-77")
        assert (unknown.status_code, "No instrument has the tag QQ-77" in unknown.text) == (422, True)
        assert 'value="QQ-77"' in unknown.text
        held = HoldFactory(instrument=stands(item, run)).instrument
        assert self.post(client, run, waiting, tag=held.asset_tag).status_code == 409

    def test_is_not_for_who_only_drives(self, client_as, run, item):
        assert self.post(client_as("technician"), run, promise(item)).status_code == 403
