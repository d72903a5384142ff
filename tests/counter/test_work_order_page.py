"""The page of a work order: its buttons, who may use them, two people at once, and the bench's settings."""

import datetime
import io
import uuid

import pypdf
import pytest
from django.urls import reverse
from django.utils import timezone

from rentals.documents.models import OutboxMessage
from rentals.families.models import Household
from rentals.inventory import operations, queries
from rentals.inventory.models import BenchRate, BenchSetting, Estimate, RepairPart, WorkEvent, WorkOrder
from rentals.runtime.money import money
from tests.agreements.factories import AgreementFactory
from tests.factories import TechnicianFactory
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import InstrumentFactory, LocationFactory, RepairPartFactory, WorkOrderFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def client(client_as):
    return client_as("technician")


@pytest.fixture
def rate():
    return BenchRate.objects.create(
        from_on=datetime.date(2020, 1, 1),
        cost_per_hour=money("36.00"),
        price_per_hour=money("64.00"),
        set_at=timezone.now(),
        set_by=TechnicianFactory(),
    )


@pytest.fixture
def family_order():
    """A repair that a family without protection pays."""
    agreement = AgreementFactory(household=HouseholdFactory(name="Quillfeather"), unit=True, protection=False)
    unit = agreement.units.get(role="rented").instrument
    order = operations.open_work_order(
        instrument=unit,
        kind="repair",
        problem="It was dropped",
        location=LocationFactory(),
        acting_user=TechnicianFactory(),
        now=timezone.now(),
    )
    return operations.decide_payer(order=order, paid_by="family", acting_user=order.opened_by, now=timezone.now())


def text_of(response):
    return response.content.decode()


def page(client, order):
    return client.get(reverse("work_order", args=[order.pk]))


def send(client, act, order, **data):
    order.refresh_from_db()
    return client.post(reverse(f"work_order_{act}", args=[order.pk]), {"version": order.version, **data})


class TestPapers:
    def test_the_sheet_names_the_instrument_and_no_family(self, client, rate, family_order):
        send(client, "labour", family_order, what="", other="Dent out", minutes="20")
        answer = client.get(reverse("work_order_pdf", args=[family_order.pk]))
        assert answer["Content-Type"] == "application/pdf"
        shown = "".join(sheet.extract_text() for sheet in pypdf.PdfReader(io.BytesIO(answer.content)).pages)
        assert f"Work order {family_order.number}" in shown
        assert family_order.instrument.asset_tag in shown
        assert "Quillfeather" not in shown and "$" not in shown

    def test_the_estimate_is_written_to_the_family_once(self, client, rate, family_order):
        send(client, "estimate", family_order, covers="The dent is taken out", what_1="Dent out", price_1="40.00")
        assert "Write the estimate to the family" in text_of(page(client, family_order))
        for _ in range(2):
            assert send(client, "write_estimate", family_order).status_code == 302
        message = OutboxMessage.objects.get(kind="estimate")
        assert "$40.00" in message.body and "The dent is taken out" in message.body
        assert message.document.payload["page"]["total"] == "40.00"
        shown = text_of(page(client, family_order))
        assert "Written to the family on" in shown
        assert "Write the estimate to the family" not in shown
        assert "Quillfeather" not in shown

    def test_in_spanish_where_the_family_reads_it(self, client, rate, family_order):
        Household.objects.update(language="es")
        send(client, "estimate", family_order, covers="The dent is taken out", what_1="Dent out", price_1="40.00")
        send(client, "write_estimate", family_order)
        message = OutboxMessage.objects.get(kind="estimate")
        assert message.subject == "Presupuesto de una reparación"
        assert "En total, sin impuesto: $40.00" in message.body

    def test_without_an_estimate_nothing_is_written(self, client, family_order):
        shown = client.post(reverse("work_order_write_estimate", args=[family_order.pk]), follow=True)
        assert "No estimate waits for an answer" in text_of(shown)
        assert not OutboxMessage.objects.filter(kind="estimate").exists()

    def test_nobody_outside_of_the_bench_writes(self, client_as, family_order):
        answer = client_as("bookkeeper").post(reverse("work_order_write_estimate", args=[family_order.pk]))
        assert answer.status_code == 403


class TestPage:
    @pytest.mark.parametrize("state", [state.value for state in WorkOrder.State])
    def test_opens_in_every_state(self, client, state):
        closed = {"closed_at": timezone.now(), "closed_by": TechnicianFactory()} if state == "done" else {}
        order = WorkOrderFactory(state=state, **closed)
        response = page(client, order)
        assert response.status_code == 200
        assert order.get_state_display() in text_of(response).replace("&#x27;", "'")

    def test_tells_initials_and_no_names_to_the_technician(self, client, family_order):
        operations.make_estimate(
            order=family_order,
            covers="Dent out",
            lines=[("Labour", money(20).amount)],
            acting_user=client.user,
            now=timezone.now(),
        )
        estimate = Estimate.objects.get()
        operations.decide_estimate(
            estimate=estimate,
            decision="approved",
            way="phone",
            who_said_so="Olive Quillfeather",
            acting_user=client.user,
            now=timezone.now(),
        )
        shown = text_of(page(client, family_order))
        assert "Quillfeather" not in shown
        assert "Student " in shown

    def test_the_specialist_sees_it_and_has_no_tools(self, client_as, family_order):
        shown = text_of(page(client_as("specialist"), family_order))
        assert "What comes next" not in shown
        assert "Labour and parts" in shown

    def test_is_not_the_bookkeepers(self, client_as, family_order):
        assert page(client_as("bookkeeper"), family_order).status_code == 403


class TestActs:
    def test_begin_by_its_button(self, client):
        order = WorkOrderFactory()
        assert send(client, "state", order, to="bench").status_code == 302
        order.refresh_from_db()
        assert (order.state, order.assigned_to) == ("bench", client.user)

    def test_without_a_payer_there_is_no_button_and_the_form_says_why(self, client):
        order = WorkOrderFactory(paid_by="undecided")
        assert "Begin the work" not in text_of(page(client, order))
        refused = send(client, "state", order, to="bench", note="Pad 12")
        assert refused.status_code == 422
        assert "choose it on the work order" in text_of(refused)
        assert 'value="Pad 12"' in text_of(refused)

    def test_two_technicians_lose_nothing(self, client):
        order = WorkOrderFactory()
        seen = order.version
        operations.change_state(
            order=order, to="bench", note="Ned has it", acting_user=TechnicianFactory(name="Ned"), now=timezone.now()
        )
        late = client.post(reverse("work_order_state", args=[order.pk]), {"version": seen, "to": "parts", "note": "Pad 12 mm"})
        assert late.status_code == 409
        assert "Ned has worked on" in text_of(late)
        assert "Ned has it" in text_of(late)
        assert 'value="Pad 12 mm"' in text_of(late)
        again = client.post(
            reverse("work_order_state", args=[order.pk]),
            {"version": late.context["form"].data["version"], "to": "parts", "note": "Pad 12 mm"},
        )
        assert again.status_code == 302
        assert WorkEvent.objects.order_by("-pk")[0].note == "Pad 12 mm"

    def test_minutes_and_parts_add_up(self, client, rate):
        order, pad = WorkOrderFactory(state="bench"), RepairPartFactory()
        assert send(client, "labour", order, what="", other="Pad seated", minutes="25").status_code == 302
        assert send(client, "part", order, part=pad.pk, quantity="3").status_code == 302
        shown = page(client, order)
        # 36.00 x 25/60 and 3 x 0.85; 64.00 x 25/60 and 3 x 3.50.
        assert (str(shown.context["sheet"].sums.cost), str(shown.context["sheet"].sums.price)) == ("17.55", "37.17")
        line = shown.context["sheet"].lines[1]
        client.post(reverse("work_order_line_off", args=[order.pk, line.pk]))
        client.post(reverse("work_order_line_off", args=[order.pk, line.pk]))
        assert RepairPart.objects.get().on_hand == 10

    @pytest.mark.parametrize("minutes", ["", "0", "-5", "1441", "soon"])
    def test_bad_minutes_are_said_beside_the_field(self, client, rate, minutes):
        refused = send(client, "labour", WorkOrderFactory(), what="", other="Pad seated", minutes=minutes)
        assert refused.status_code == 422
        assert 'href="#labour_minutes"' in text_of(refused)
        assert 'value="Pad seated"' in text_of(refused)

    def test_too_many_pieces_are_refused_with_what_there_is(self, client):
        refused = send(client, "part", WorkOrderFactory(), part=RepairPartFactory(name="Pad").pk, quantity="99")
        assert refused.status_code == 422
        assert "There are 10 of “Pad” on hand" in text_of(refused)

    def test_estimate_approval_test_and_ready(self, client, client_as, rate, family_order):
        lines = {"what_1": "Dent out", "price_1": "40.00", "what_2": "", "price_2": "", "covers": "The dent is taken out"}
        assert send(client, "estimate", family_order, **lines).status_code == 302
        answer = {"decision": "approved", "way": "phone", "who_said_so": "The mother"}
        assert send(client_as("specialist"), "decide", family_order, **answer).status_code == 302
        assert send(client, "labour", family_order, what="", other="Dent out", minutes="30").status_code == 302
        assert send(client, "state", family_order, to="check").status_code == 302
        points = {f"point_{place}": "yes" for place in range(len(page(client, family_order).context["sheet"].points))}
        failed = send(client, "test", family_order, **{**points, "point_0": "no"})
        assert failed.status_code == 422
        assert send(client, "test", family_order, **points).status_code == 302
        family_order.refresh_from_db()
        assert (family_order.state, family_order.outcome) == ("ready", "repaired")
        assert "Back to the family" in text_of(page(client, family_order))

    def test_a_price_without_words_is_asked_for(self, client, family_order):
        refused = send(client, "estimate", family_order, covers="Dent", what_1="", price_1="40.00")
        assert refused.status_code == 422
        assert "Write what the price of line 1 is for." in text_of(refused)

    def test_declined_goes_back_unrepaired_and_costs_nothing(self, client, family_order):
        send(client, "estimate", family_order, covers="Dent", what_1="Dent out", price_1="40.00")
        send(client, "decide", family_order, decision="declined", way="person", who_said_so="The father")
        unit = family_order.instrument
        out = {"work_done": "Not repaired", "location": LocationFactory().pk, "to": "family", "grade": "worn"}
        assert client.post(reverse("bench_go_out", args=[unit.asset_tag]), out).status_code == 302
        assert queries.get_whereabouts(unit).place == "family"
        assert not hasattr(WorkOrder.objects.get(), "repair_charge")
        unit.refresh_from_db()
        assert unit.grade == "worn"

    def test_our_own_warranty_is_offered_and_taken(self, client):
        unit, closed = InstrumentFactory(place="bench"), timezone.now() - datetime.timedelta(days=20)
        earlier = WorkOrderFactory(
            instrument=unit, state="done", problem_kind="Pads", opened_at=closed, closed_at=closed, closed_by=client.user
        )
        order = WorkOrderFactory(instrument=unit, problem_kind="Pads", opened_at=timezone.now())
        shown = text_of(page(client, order))
        assert "The same work was done under" in shown
        assert send(client, "payer", order, paid_by="warranty", again_for=earlier.pk).status_code == 302
        order.refresh_from_db()
        assert (order.paid_by, order.again_for) == ("warranty", earlier)

    @pytest.mark.parametrize("act", ["state", "stop", "payer", "assign", "labour", "part", "estimate", "test"])
    def test_is_the_benchs_alone(self, client_as, act):
        assert send(client_as("specialist"), act, WorkOrderFactory()).status_code == 403


class TestIntake:
    def test_condition_parts_and_pictures_are_kept(self, client):
        unit = InstrumentFactory()
        checks = client.get("/bench/", {"tag": unit.asset_tag}).context["sheet"].checks
        parts = [part.name for part in queries.list_parts(unit.item.kind_id)]
        data = {
            "problem": "Leaks",
            "location": LocationFactory().pk,
            f"check_{checks[0].code}": "broken",
            "was_checked": "on",
            "parts_here": parts[:1],
            "parts_were_checked": "on",
        }
        assert client.post(reverse("bench_take_in", args=[unit.asset_tag]), data).status_code == 302
        order = WorkOrder.objects.get()
        notes = {note.what: note.finding for note in order.intake.all()}
        assert notes[checks[0].what] == "broken"
        assert {notes[check.what] for check in checks[1:]} == {"fine"}
        assert (notes[parts[0]], notes[parts[1]]) == ("came", "missing")
        assert "must come back" in text_of(page(client, order))

    def test_nothing_looked_at_nothing_noted(self, client):
        unit = InstrumentFactory()
        client.post(reverse("bench_take_in", args=[unit.asset_tag]), {"problem": "Leaks", "location": LocationFactory().pk})
        assert not WorkOrder.objects.get().intake.exists()

    def test_the_service_alone_says_what_is_wrong(self, client):
        unit = InstrumentFactory()
        service = queries.list_services(unit.item.kind_id)[0].name
        data = {"problem": "", "problem_kind": service, "location": LocationFactory().pk}
        client.post(reverse("bench_take_in", args=[unit.asset_tag]), data)
        assert (WorkOrder.objects.get().problem, WorkOrder.objects.get().problem_kind) == (service, service)

    def test_a_bad_picture_is_told_and_the_intake_stands(self, client):
        from django.core.files.uploadedfile import SimpleUploadedFile

        unit = InstrumentFactory()
        data = {"problem": "Leaks", "location": LocationFactory().pk, "camera": SimpleUploadedFile("x.jpg", b"no picture")}
        response = client.post(reverse("bench_take_in", args=[unit.asset_tag]), data, follow=True)
        assert WorkOrder.objects.exists()
        assert "x.jpg" in text_of(response)

    def test_in_the_shop_without_an_order_it_can_be_given_one(self, client):
        unit = InstrumentFactory(place="bench")
        assert "Take in to the shop" in text_of(client.get("/bench/", {"tag": unit.asset_tag}))
        data = {"problem": "Leaks", "location": LocationFactory().pk}
        assert client.post(reverse("bench_take_in", args=[unit.asset_tag]), data).status_code == 302

    def test_sold_has_no_way_in(self, client):
        unit = InstrumentFactory(place="sold")
        assert "Take in to the shop" not in text_of(client.get("/bench/", {"tag": unit.asset_tag}))

    def test_unfinished_work_shows_its_order_instead_of_the_way_out(self, client):
        order = WorkOrderFactory(state="parts")
        shown = text_of(client.get("/bench/", {"tag": order.instrument.asset_tag}))
        assert "The work is not finished: waiting for parts." in shown
        assert "Out to the shelf" not in shown


class TestSettings:
    @pytest.fixture
    def manager(self, client_as):
        return client_as("manager")

    def test_rates_begin_today_or_later(self, manager):
        data = {"from_on": timezone.localdate().strftime("%m/%d/%Y"), "cost_per_hour": "36", "price_per_hour": "64.00"}
        assert manager.post(reverse("bench_rate"), data).status_code == 302
        assert "Holds today" in text_of(manager.get(reverse("bench_settings")))
        past = manager.post(reverse("bench_rate"), {**data, "from_on": "01/02/2020"})
        assert past.status_code == 422
        assert BenchRate.objects.count() == 1

    def test_settings_are_saved_once_and_compared(self, manager):
        data = {"warranty_days": "60", "estimate_above": "25", "estimate_days": "14", "tax_labour": "on", "version": "1"}
        assert manager.post(reverse("bench_settings"), data).status_code == 302
        setting = BenchSetting.objects.get()
        assert (setting.warranty_days, setting.estimate_days, setting.tax_labour) == (60, 14, True)
        assert manager.post(reverse("bench_settings"), {**data, "warranty_days": "30"}).status_code == 409
        assert BenchSetting.objects.get().warranty_days == 60

    def test_parts_are_added_counted_and_arrive(self, manager, client_as):
        data = {"sku": "pad-17", "name": "Pad 17 mm", "cost": "0.85", "price": "3.50", "on_hand": "4"}
        assert manager.post(reverse("repair_part_add"), data).status_code == 302
        assert manager.post(reverse("repair_part_add"), data).status_code == 422
        technician = client_as("technician")
        arrived = {"quantity": "20", "request_key": str(uuid.uuid4())}
        for _ in range(2):  # sent twice, it is in the drawer once
            assert technician.post(reverse("repair_part_arrived", args=["pad-17"]), arrived).status_code == 302
        assert technician.post(reverse("repair_part_arrived", args=["pad-17"]), {**arrived, "quantity": "2"}).status_code == 422
        late = manager.post(reverse("repair_part_change", args=["pad-17"]), {**data, "on_hand": "5", "version": "1"})
        assert late.status_code == 409
        assert RepairPart.objects.get().on_hand == 24
        assert "pad-17" in "".join(part.decode() for part in technician.get(reverse("repair_parts_csv")))

    def test_the_list_of_parts_is_cheap(self, client, django_assert_max_num_queries):
        for _ in range(60):
            RepairPartFactory()
        with django_assert_max_num_queries(12):
            client.get(reverse("repair_parts"))

    def test_settings_are_the_managers(self, client):
        assert client.get(reverse("bench_settings")).status_code == 403
