"""Every page of the project, as an office that has run for eighteen months meets it: one demonstration, every address that
answers a GET, in both themes and at three widths. A new address is covered by itself; one with an argument that no other
page has needs a line in `Scenario.arguments`. The screen of a move is shown for an agreement to whose page it belongs, and the
page of an agreement once for every state.

Held on each: 200; axe-core finds nothing (WCAG 2.2 A and AA, best practices); nothing runs off the side; one h1 and a title; the
browser complains neither about the content security policy nor about a script.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal

import pytest
from allauth.mfa.totp.internal.auth import TOTP, generate_totp_secret
from django.core.management import call_command
from django.db.models import Count
from django.urls import URLPattern, resolve, reverse

from billing import chart, ledger, payments
from billing.banking import certain
from billing.banking import operations as banking
from billing.banking.operations import AccountAnswer
from billing.closing import clear, span
from billing.closing import operations as closing
from billing.closing.reports import balances
from billing.models import (
    Adjustment,
    Arrangement,
    AutopayAnswers,
    AutopayRun,
    BankAccount,
    BankLine,
    BankReconciliation,
    BillingRun,
    CardAttempt,
    CardPayout,
    Charge,
    ClosingPackage,
    CreditNote,
    Deposit,
    FleetAsset,
    FleetSale,
    Payment,
    PracticeCharge,
    Refund,
)
from rentals.agreements import drafts, life, plans
from rentals.agreements.models import Agreement, Plan, PlanVersion, SignUpDraft, TaxExemption, UnitPromise
from rentals.agreements.moves import Move, State
from rentals.counter.life import buying, exchanging, panel, reinstating
from rentals.counter.nights.intake.envelope import read_envelope
from rentals.counter.nights.intake.operations import take_in
from rentals.counter.signup.order import first_answers
from rentals.documents import outbox, stopping
from rentals.documents.models import Document
from rentals.families import operations as families
from rentals.families.models import Guardian, Household, Student
from rentals.inventory.models import (
    CatalogueItem,
    Custody,
    Delivery,
    Hold,
    Instrument,
    LabelLayout,
    LabelPrint,
    LabelPrinter,
    Location,
    MoveBatch,
    MoveScan,
    Photo,
    Product,
    RepairPart,
    StockCount,
    TagSeries,
    WorkOrder,
)
from rentals.inventory.operations import imports, photos
from rentals.portal.models import NightDoor
from rentals.runtime import clock
from rentals.staff.models import Role, User
from rentals.staff.policy import CAPABILITIES
from schools.models import (
    CleaningDay,
    Contact,
    Director,
    District,
    Errand,
    Night,
    Programme,
    RequiredItem,
    Run,
    School,
    SchoolDay,
)
from tests.architecture.test_urls import ADDRESSES
from tests.billing.banking.statements import line, ofx1
from tests.browser import list_violations
from tests.counter.nights.tablets import Tablet
from tests.documents.examples import batch_id, document_id
from tests.jobs.examples import job_run_id
from tests.journeys.no_pages import NO_PAGES, NOT_EVERYBODY
from tests.staff.test_screens import sign_in

WHO = [Role.SPECIALIST, Role.TECHNICIAN, Role.BOOKKEEPER, Role.MANAGER, Role.ADMINISTRATOR, Role.DIRECTOR]
"""A page is looked at by the first of these who may see it."""

ASKED = {"billing_preview": "through_on"}
"""Pages that are asked for a day, and by what name."""

ENOUGH = 80
"""Fewer pages than this were looked at: then the walk itself is broken."""


class Scenario:
    """The demonstration, and what it does not leave lying on the desk: a bank's file, a spreadsheet, two sign-ups, a consent."""

    def __init__(self) -> None:
        call_command("load_demo", households=100)
        self.now = clock.now()
        self.people = {user.role: user for user in User.objects.filter(role__in=WHO, is_active=True).order_by("-pk")}
        for person in self.people.values():
            TOTP.activate(person, generate_totp_secret())  # whose role needs a second factor would be sent to set it up
        self.by_state: dict[State, Agreement] = {}
        self.offering: dict[str, list[Agreement]] = defaultdict(list)
        self.household = Household.objects.annotate(n=Count("charges")).order_by("-n", "pk")[0]
        self.arguments = {
            **self.money(),
            **self.signing(),
            **self.moving(),
            **self.fleet(),
            "household_id": self.household.pk,
            "arrangement_id": Arrangement.objects.filter(ended_at=None).order_by("pk")[0].pk,
            "guardian_id": Guardian.objects.filter(household=self.household)[0].pk,
            "reminders_stop.token": stopping.make_token(Guardian.objects.filter(household=self.household)[0].pk),
            "student_id": Student.objects.filter(household=self.household)[0].pk,
            "consent_id": self.consent(),
            **self.letter(),
            "job_run_id": job_run_id(),
            "letter": "overdue-1",
            "language": "es",
            "school_id": School.objects.filter(programmes__students__isnull=False).order_by("pk")[0].pk,
            "director_id": self.director(),
            "district_id": District.objects.order_by("pk")[0].pk,
            "programme_id": Programme.objects.order_by("pk")[0].pk,
            "director_programme.programme_id": Programme.objects.filter(directors__user=self.people[Role.DIRECTOR])
            .latest("pk")
            .pk,
            "door_code": NightDoor.objects.filter(night__on__gte=clock.today()).latest("pk").code,
            "cleaning_day_id": CleaningDay.objects.order_by("pk")[0].pk,
            "night_id": Night.objects.exclude(state__in=["closed", "called_off"]).order_by("pk")[0].pk,
            **self.evening(),
            **self.driving(),
            "errand_id": Errand.objects.order_by("pk")[0].pk,
            "required_item_remove.item_id": RequiredItem.objects.order_by("pk")[0].pk,
            "person_id": self.people[Role.SPECIALIST].pk,
        }

    def director(self) -> int:
        """Return a director of the school that is walked."""
        school = School.objects.filter(programmes__students__isnull=False).order_by("pk")[0]
        return Director.objects.filter(programmes__school=school).order_by("pk")[0].pk

    def evening(self) -> dict[str, object]:
        """Bring home a sign-up that a person must decide about: the night's day is still to come."""
        night = Night.objects.exclude(state__in=["closed", "called_off"]).order_by("pk")[0]
        sent = read_envelope(Tablet(night).envelope())
        who = {"acting_user": self.people[Role.MANAGER], "now": self.now, "today": clock.today()}
        agreement = Agreement.objects.filter(ended_on=None).earliest("pk")
        words = {"agreement": agreement, "item": agreement.item, "why": "Given out at another table.", "made_at": self.now}
        return {
            "sign_up_id": take_in(envelope=sent, night=night, **who).pk,
            "promise_id": UnitPromise.objects.create(**words).pk,
        }

    def driving(self) -> dict[str, object]:
        """Name a delivery run by each of its pages: billing has runs too."""
        run = Run.objects.filter(stops__loads__isnull=False).order_by("-on", "-pk")[0]
        pages = (
            "run",
            "run_add",
            "run_promise",
            "run_order",
            "run_call_off",
            "run_manifest",
            "run_drive",
            "run_scan",
            "run_act",
            "run_leave",
            "run_finish",
            "stop_spot",
            "stop_slip",
            "shop_spot",
        )
        stop = run.stops.filter(loads__isnull=False).order_by("order")[0]
        asked = {f"{page}.run_id": run.pk for page in pages}
        return {
            **asked,
            "stop_id": stop.pk,
            "load_id": stop.loads.order_by("pk")[0].pk,
            "home_errand_id": 1,
            "day_id": SchoolDay.objects.order_by("pk")[0].pk,
            "contact_id": Contact.objects.order_by("pk")[0].pk,
        }

    def money(self) -> dict[str, object]:
        """Take a file of the bank in, and another only looked at."""
        bookkeeper = self.people[Role.BOOKKEEPER]
        deposit = Deposit.objects.latest("pk")
        lines = [
            line("A1", str(deposit.amount), deposit.deposited_on),
            line("A2", "-12.50", deposit.deposited_on, name="MONTHLY FEE"),
        ]
        taken = banking.read_file(content=ofx1(*lines), file_name="second.ofx", acting_user=bookkeeper, now=self.now)
        answers = {each["fingerprints"][0]: AccountAnswer(name="Second account") for each in taken.contents["accounts"]}
        banking.take_in(file=taken, answers=answers, same_lines=(), acting_user=bookkeeper, now=self.now)
        content = ofx1(line("B1", "10.00", deposit.deposited_on))
        looked_at = banking.read_file(content=content, file_name="next.ofx", acting_user=bookkeeper, now=self.now)
        listed = f"Date,Description,Amount\n{deposit.deposited_on:%m/%d/%Y},COUNTER DEPOSIT,12.00\n".encode()
        a_list = banking.read_file(content=listed, file_name="list.csv", acting_user=bookkeeper, now=self.now)
        taken = payments.record_payment(
            household=self.household,
            method="cash",
            amount=Decimal(5),
            received_on=clock.today(),
            acting_user=self.people[Role.SPECIALIST],
            now=self.now,
        )
        return {
            "file_id": looked_at.pk,
            "bank_columns.file_id": a_list.pk,
            "line_id": BankLine.objects.latest("pk").pk,
            "account_id": BankAccount.objects.latest("pk").pk,
            "payment_id": Payment.objects.filter(payment_return=None, household=self.household).latest("pk").pk,
            "charge_id": Charge.objects.filter(household=self.household).latest("pk").pk,
            "deposit_id": deposit.pk,
            "round_id": certain.start(acting_user=self.people[Role.BOOKKEEPER], now=self.now).pk,
            "autopay_run_id": AutopayRun.objects.latest("pk").pk,
            "answers_id": AutopayAnswers.objects.latest("pk").pk,
            "taking_id": taken.taking_id,
            "payment_void.payment_id": taken.pk,
            "attempt_key": CardAttempt.objects.filter(payment__isnull=False).latest("pk").key,
            "charge_key": PracticeCharge.objects.filter(state="open").latest("pk").key,
            "payout_id": CardPayout.objects.latest("pk").pk,
            "processor": "practice",
            "run_id": BillingRun.objects.latest("pk").pk,
            "credit_note_id": CreditNote.objects.filter(void_entry=None).latest("pk").pk,
            "refund_id": Refund.objects.latest("pk").pk,
            "adjustment_id": Adjustment.objects.latest("pk").pk,
            "exemption_id": TaxExemption.objects.latest("pk").pk,
            **self.closing(),
        }

    def closing(self) -> dict[str, object]:
        """Keep a reconciliation; the demonstration has closed its months."""
        account, on = BankAccount.objects.earliest("pk"), clock.today()
        books = balances.list_balances(on).get(account.books_id, Decimal(0))
        kept = BankReconciliation.objects.create(
            account=account, on=on, told="typed", bank=books, books=books, only_at_bank=0, only_in_books=0,
            outstanding=[{"on": str(on), "what": "Deposit", "amount": "0.00", "side": "books", "met_on": str(on)}],
            saved_at=self.now, saved_by=self.people[Role.BOOKKEEPER],
        )  # fmt: skip
        package = ClosingPackage.objects.latest("pk")
        waiver = closing.waive(
            month=span.month_of(on), code="lines", reason="Known", acting_user=self.people[Role.BOOKKEEPER], now=self.now
        )
        return {
            "reconciliation_id": kept.pk,
            "package_id": package.pk,
            "closing_file.file_id": package.files.latest("pk").pk,
            "waiver_id": waiver.pk,
            "check_code": "lines",
            "clearing_code": "1000",
            "clearing_id": self.clear(bea=self.people[Role.BOOKKEEPER]),
        }

    def clear(self, *, bea: User) -> int:
        """Clear what came in at the bank and turned out to be older than the books."""
        held = ledger.post_entry(
            entry_on=clock.today(), kind="bank", memo="Held: MOBILE CREDIT", source="held/every-screen",
            acting_user=bea, now=self.now,
            postings=[ledger.Line(chart.TO_CLEAR, Decimal(-5)), ledger.Line(chart.OPENING, Decimal(5))],
        )  # fmt: skip
        given = {"rest_to": chart.OPENING, "note": "Paid before the books", "today": clock.today()}
        return clear.clear(chosen=[(chart.TO_CLEAR, held.pk)], acting_user=bea, now=self.now, **given).pk

    def signing(self) -> dict[str, object]:
        """Fill a sheet for a brother or sister, and find the draft of an agreement that was signed."""
        specialist = self.people[Role.SPECIALIST]
        on_shelf = Instrument.objects.filter(custodies__place="shelf", custodies__ended_at=None)
        unit = on_shelf.exclude(holds__in=Hold.objects.filter(ended_at=None)).order_by("pk")[0]
        programme = Programme.objects.order_by("pk")[0]
        answers = first_answers(self.household, {"another": "yes"}) | {
            "given_name": "Wren",
            "family_name": self.household.name,
            "grade": "5",
            "programme": str(programme.pk),
            "kind": unit.item.kind_id,
            "tier": unit.item.tier,
            "size": unit.item.size,
            "tag": unit.asset_tag,
            "plan": str(PlanVersion.objects.latest("pk").pk),
            "protection": "yes",
            "guardian": str(Guardian.objects.filter(household=self.household).order_by("-is_primary")[0].pk),
            "goods_for": f"{programme.pk}:{unit.item.kind_id}",
        }
        filled = drafts.begin_draft(household=self.household, answers=answers, acting_user=specialist, now=self.now)
        agreement = Agreement.objects.filter(household=self.household).latest("pk")
        signed = SignUpDraft.objects.create(
            user=specialist, household=self.household, data=answers, agreement=agreement, updated_at=self.now
        )
        version = PlanVersion.objects.latest("pk")
        stands = plans.get_standing(Plan.objects.get(pk=version.plan_id))
        terms = replace(stands.begins_with, title="Three months, then month by month")
        plans.save_draft(plan=stands.plan, terms=terms, seen=stands.seen, acting_user=self.people[Role.MANAGER])
        return {
            "uuid:draft_id": filled.pk,
            "signup_done.draft_id": signed.pk,
            "agreement_id": agreement.pk,
            "version_id": version.pk,
            "code": Plan.objects.get(pk=version.plan_id).code,
        }

    def moving(self) -> dict[str, object]:
        """Find for the screen of every move the agreements that offer it, and one agreement in every state."""
        manager, today = self.people[Role.MANAGER], clock.today()  # who may do all of them
        for agreement in Agreement.objects.select_related("household", "item__kind", "plan_version").order_by("-pk"):
            state, segments = life.state_of(agreement), life.list_segments(agreement)
            self.by_state.setdefault(state, agreement)
            groups = panel.list_acts(agreement, state=state, segments=segments, user=manager, today=today)
            for act in (act for _, acts in groups for act in acts):
                self.offering[resolve(act.url).url_name].append(agreement)
        missing = set(State) - set(self.by_state), {f"agreement_{move}" for move in Move} - set(self.offering)
        assert missing == (set(), set()), "the demonstration has nothing in some state, or nothing to which a move fits"
        return {f"{name}.agreement_id": agreements[0].pk for name, agreements in self.offering.items()}

    def with_one_chosen(self) -> Iterator[tuple[str, str]]:
        """Give the screens of moves that go on with another instrument, with one chosen: the name and the address."""
        shelf = Instrument.objects.filter(custodies__place="shelf", custodies__ended_at=None).order_by("pk")[:1]
        for name, list_units in {
            "agreement_step_up": buying.list_better,
            "agreement_exchange": lambda _: shelf,
            "agreement_size_up": exchanging.list_larger,
            "agreement_reinstate": reinstating.list_like_it,
        }.items():
            pairs = ((each, units[0]) for each in self.offering[name] if (units := list_units(each)))
            agreement, unit = next(pairs)
            yield name, f"{reverse(name, args=[agreement.pk])}?tag={unit.asset_tag}"

    def fleet(self) -> dict[str, object]:
        """Keep a spreadsheet that nobody took in yet."""
        content = b"Tag,Serial,Kind,Maker,Model\nFL-1,S1,flute,Arvenne,F10\nFL-2,,kazoo,,\n"
        draft = imports.keep_draft(file_name="fleet.csv", content=content, acting_user=self.people[Role.TECHNICIAN], now=self.now)
        theo = self.people[Role.TECHNICIAN]
        kept, gone = Photo.objects.filter(removed_at=None).order_by("pk")[:2]
        photos.remove_photo(photo=gone, because="It shows nothing useful", acting_user=theo, now=self.now)
        rented = Custody.objects.filter(place="family", ended_at=None).order_by("pk")[0].instrument
        return {
            "int:draft_id": draft.pk,
            "instrument_id": rented.pk,
            "tag": rented.asset_tag,
            "layout_id": LabelLayout.objects.order_by("-columns")[0].pk,
            "printer_id": LabelPrinter.objects.order_by("pk")[0].pk,
            "print_id": LabelPrint.objects.order_by("pk")[0].pk,
            "photo_id": kept.pk,
            "photo_erase.photo_id": gone.pk,
            "report_code": "receivables",
            "batch_id": MoveBatch.objects.order_by("pk")[0].pk,
            "scan_id": MoveScan.objects.order_by("pk")[0].pk,
            "night_number.number": 1,
            "night_hand_over.tablet_id": 1,
            "sale_id": FleetSale.objects.order_by("pk")[0].pk,
            "custody_id": Custody.objects.order_by("pk")[0].pk,
            "asset_id": FleetAsset.objects.get(instrument=rented).pk,
            "count_id": StockCount.objects.get(closed_at=None).pk,
            "order_id": WorkOrder.objects.filter(closed_at=None).order_by("pk")[0].pk,
            "sku": Product.objects.order_by("pk")[0].sku,
            "repair_part_change.sku": RepairPart.objects.order_by("pk")[0].sku,
            "repair_part_arrived.sku": RepairPart.objects.order_by("pk")[0].sku,
            "location_change.code": Location.objects.order_by("pk")[0].code,
            "delivery_id": Delivery.objects.latest("pk").pk,
            "kind_code": "violin",
            "series_id": TagSeries.objects.get(kind="flute").pk,
            "catalogue_change.item_id": CatalogueItem.objects.order_by("pk")[0].pk,
        }

    def letter(self) -> dict[str, object]:
        """Leave a letter to print."""
        document = Document.objects.get(pk=document_id())
        message = outbox.queue_message(
            key="letter",
            kind="overdue",
            about=f"household/{self.household.pk}",
            household=self.household,
            channel="letter",
            to_name=self.household.name,
            to_address="862 Alder Ln\nOstrander Bend, MN 55205",
            subject="What is past due",
            body="Please call us.",
            document=document,
            now=self.now,
        )
        pages = ("batch", "batch_pdf_make", "batch_printed", "batch_dissolve")
        batch = batch_id()
        return {"document_id": document.pk, "message_id": message.pk, **{f"{page}.batch_id": batch for page in pages}}

    def consent(self) -> int:
        """Write down what a guardian agreed to."""
        guardian = Guardian.objects.filter(household=self.household).order_by("-is_primary")[0]
        return families.record_consent(
            guardian=guardian,
            kind="electronic_records",
            wording="I agree to receive records by e-mail.",
            wording_version="1",
            acting_user=self.people[Role.SPECIALIST],
            now=self.now,
        ).pk

    def address(self, entry: URLPattern) -> str:
        """Give the address of a page, with an argument from the scenario for each that it takes."""
        given = {}
        for name, converter in entry.pattern.converters.items():
            kind = type(converter).__name__.removesuffix("Converter").lower()
            keys = [key for key in (f"{entry.name}.{name}", f"{kind}:{name}", name) if key in self.arguments]
            assert keys, f"{entry.pattern}: say in Scenario.arguments what “{name}” may be"
            given[name] = self.arguments[keys[0]]
        return reverse(entry.name, kwargs=given)


def pages(scenario: Scenario) -> Iterator[tuple[Role, str, str]]:
    """Give every page: who looks, its name, its address; one person after the other."""
    found = []
    for _, entry in ADDRESSES:
        if entry.name not in NO_PAGES:
            roles = CAPABILITIES.get(entry.callback.capability or "home.view", frozenset())
            role = NOT_EVERYBODY.get(entry.name) or next(role for role in WHO if role in roles)
            asked = f"?{ASKED[entry.name]}={clock.today()}" if entry.name in ASKED else ""
            found.append((role, entry.name, scenario.address(entry) + asked))
    found += [(Role.SPECIALIST, *each) for each in scenario.with_one_chosen()]
    found += [(Role.SPECIALIST, "agreement", reverse("agreement", args=[each.pk])) for each in scenario.by_state.values()]
    return iter(sorted(found, key=lambda each: WHO.index(each[0])))


def faults(page, name: str) -> Iterator[str]:
    """Look at the page that is open, at every width and in both themes."""
    if not page.title().strip():
        yield f"{name} has no title"
    if (seen := page.locator("h1:visible").count()) != 1:
        yield f"{name} has {seen} h1"
    for width, theme in ((1280, "light"), (1024, None), (390, "dark")):
        page.set_viewport_size({"width": width, "height": 844})
        if theme:
            page.emulate_media(color_scheme=theme)
            for each in list_violations(page):
                yield f"{name}, {theme}, {width}: {each}"
        if not page.evaluate("document.documentElement.scrollWidth <= innerWidth"):
            yield f"{name} runs off the side at {width}"


@pytest.fixture
def scenario(transactional_db, settings, tmp_path) -> Scenario:
    settings.STATE_DIR = tmp_path
    return Scenario()


def test_every_screen_can_be_used_by_everybody_who_may_see_it(page, context, complaints, live_server, scenario):
    wrong, looked_at, signed_in = [], 0, None
    page.goto(live_server.url + reverse("account_login"))
    wrong += faults(page, "account_login")
    for role, name, address in pages(scenario):
        if role != signed_in:
            sign_in(context, live_server.url, scenario.people[role])
            signed_in = role
        answer = page.goto(live_server.url + address)
        if answer.status == 405:
            continue
        looked_at += 1
        if answer.status != 200:
            wrong.append(f"{name} answers {answer.status} to the {role.label.lower()}: {address}")
            continue
        if not page.url.startswith(live_server.url + address):
            wrong.append(f"{name} sends the {role.label.lower()} elsewhere: from {address} to {page.url}")
            continue
        wrong += faults(page, name)
        wrong += [f"{name}: {text}" for text in complaints.policy + complaints.script]
        complaints.policy.clear()
        complaints.script.clear()
    assert not wrong, "\n".join(wrong)
    assert looked_at >= ENOUGH
