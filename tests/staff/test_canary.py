"""What a person types stays out of every log line and out of every message to the workers, also when something breaks.

OWASP ASVS 5.0, V16.2.5 (no sensitive data in logs) and V14.2.4; names and addresses of families with minors are such data.
"""

import logging
from urllib.parse import urlencode
from uuid import uuid4

import pytest
from celery.signals import before_task_publish
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from billing import payments
from billing.models import BankLine, Payment
from rentals.agreements.models import Agreement, SignUpDraft
from rentals.families import operations as families
from rentals.families.models import Household
from rentals.runtime.logs import DiscreetFormatter
from tests.agreements.factories import OfficeFactory, PlanVersionFactory, RateFactory, TaxAreaFactory
from tests.billing.banking.statements import line, ofx1
from tests.families.factories import HouseholdFactory
from tests.inventory.factories import CatalogueItemFactory, InstrumentFactory, kind

NAME, PHONE, EMAIL, CHEQUE = "Quillfeather", "(312) 555-0142", "wren.kestrel@example.com", "7788120933"
CANARIES = (NAME, "555-0142", "5550142", "wren.kestrel", CHEQUE)
FAMILY = {"given_name": "Wren", "family_name": NAME, "phone": PHONE, "email": EMAIL, "street": "7 Heron Court", "unit": ""}
FAMILY |= {"city": "Springdale", "state": "IL", "postal_code": "62704", "language": "en", "name": ""}
PAYMENT = {"amount": "41.50", "method": "cheque", "cheque_number": CHEQUE, "received_on": "3/10/2026"}
SHEET = {"student": "new", "given_name": "Sky", "family_name": NAME, "grade": "5", "kind": "clarinet", "tier": "beginner"}
SHEET |= {"protection": "yes", "received_at": "counter", "tag": "CL-1001", "programme": "", "goods_for": "", "review": "yes"}
STATEMENT = ofx1(line("r1", "41.50", name=NAME, memo=PHONE, cheque=CHEQUE))


class Heard:
    """Everything that was logged, as the office's own handler writes it, and every message to the workers."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.messages: list[str] = []

    def write(self, text: str) -> None:
        """Take a line as a stream does."""
        self.lines.append(text)

    def flush(self) -> None:
        """Nothing waits."""

    def publish(self, body=None, headers=None, **others) -> None:
        """Take a message as it leaves."""
        self.messages.append(f"{body} {headers} {others}")

    def canaries(self) -> list[str]:
        """Return what ought not to be there."""
        said = "\n".join([*self.lines, *self.messages]).casefold()
        return [canary for canary in CANARIES if canary.casefold() in said]


@pytest.fixture
def heard(monkeypatch):
    ear = Heard()
    handler = logging.StreamHandler(ear)
    handler.setFormatter(DiscreetFormatter(settings.LOGGING["formatters"]["line"]["format"], defaults={"request_id": "-"}))
    root = logging.getLogger()
    monkeypatch.setattr(root, "level", logging.INFO)
    root.addHandler(handler)
    before_task_publish.connect(ear.publish, weak=False)
    yield ear
    before_task_publish.disconnect(ear.publish)
    root.removeHandler(handler)


@pytest.fixture
def client(client_as):
    return client_as("manager", raise_request_exception=False)


@pytest.fixture
def shop(db):
    OfficeFactory()
    TaxAreaFactory()
    PlanVersionFactory()
    RateFactory(kind=kind("clarinet"))
    InstrumentFactory(asset_tag="CL-1001", item=CatalogueItemFactory(kind_code="clarinet"))


def sign_up(client) -> None:
    """Write the family down, fill the sheet, sign, pay by check."""
    client.post(reverse("signup_new_family"), {**FAMILY, "request_key": uuid4()})
    draft = SignUpDraft.objects.get()
    client.post(reverse("signup_sheet", args=[draft.pk]), SHEET)
    page = client.get(reverse("signup_review", args=[draft.pk]))
    due, shown = page.context["order"].quote.due_today, page.context["order"].sha256
    fields = {"signer_name": f"Wren {NAME}", "consent": "on", "method": "cheque", "cheque_number": CHEQUE, "strokes": ""}
    client.post(reverse("signup_review", args=[draft.pk]), {**fields, "amount": str(due), "shown": shown})


@pytest.mark.django_db
class TestNothingThatIsTypedIsHeard:
    def test_of_a_sign_up_and_the_papers_it_asks_for(self, client, shop, heard, django_capture_on_commit_callbacks):
        with django_capture_on_commit_callbacks(execute=True):
            sign_up(client)
        assert Agreement.objects.get().household.name == NAME
        assert Payment.objects.get().cheque_number == CHEQUE
        assert any("document_id" in message for message in heard.messages), "the workers were told"
        assert heard.canaries() == []

    def test_of_a_payment_taken_or_refused(self, client, heard, django_capture_on_commit_callbacks):
        url = reverse("payment_take", args=[HouseholdFactory(name=NAME, guardian__email=EMAIL).pk])
        with django_capture_on_commit_callbacks(execute=True):
            assert client.post(url, {**PAYMENT, "request_key": uuid4(), "amount": NAME}).status_code == 422
            assert client.post(url, {**PAYMENT, "request_key": uuid4()}).status_code == 302
        assert Payment.objects.get().cheque_number == CHEQUE
        assert heard.lines, "a refusal is logged"
        assert heard.canaries() == []

    def test_of_a_household_written_down_changed_and_looked_for(self, client, heard, django_capture_on_commit_callbacks):
        with django_capture_on_commit_callbacks(execute=True):
            client.post(reverse("household_add"), {**FAMILY, "request_key": uuid4()})
            household = Household.objects.get()
            changed = {**FAMILY, "name": f"{NAME} & Sons", "notes": f"Call {PHONE}", "version": household.version}
            assert client.post(reverse("household_change", args=[household.pk]), changed).status_code == 302
            assert client.post(reverse("household_change", args=[household.pk]), changed).status_code == 409
            for text in (NAME, PHONE, EMAIL):
                assert client.get(reverse("search"), {"q": text}).status_code == 200
        assert heard.lines, "a conflict is logged"
        assert heard.canaries() == []

    @pytest.mark.parametrize(
        "content", [ofx1(line("r1", "41.50", name=NAME, memo=PHONE, cheque=CHEQUE)), f"{NAME} {CHEQUE}".encode()]
    )
    def test_of_a_banks_file_read_or_refused(self, client, heard, content, django_capture_on_commit_callbacks):
        with django_capture_on_commit_callbacks(execute=True):
            answer = client.post(reverse("bank_files"), {"file": SimpleUploadedFile(f"{NAME}.ofx", content)})
            if answer.status_code == 302:
                page = client.get(answer["Location"])
                assert page.status_code == 200
                fields = {name: page.context["form"][name].value() for name in page.context["form"].fields}
                client.post(answer["Location"], {**fields, "name-0": "Checking"})
                assert BankLine.objects.get().amount
        assert heard.canaries() == []

    def test_of_a_form_sent_after_the_sessions_end(self, client, heard):
        session = client.session
        session.update({"began": 0, "seen": 0})
        session.save()
        url = reverse("signup_new_family")
        referer = {"referer": f"http://testserver{url}"}
        client.post(url, urlencode(FAMILY), content_type="application/x-www-form-urlencoded", headers=referer)
        client.force_login(client.user)
        assert NAME in client.get(url).content.decode()
        assert heard.canaries() == []


@pytest.mark.django_db
class TestNothingThatIsTypedIsHeardWhenItBreaks:
    def test_in_an_operation_whose_error_quotes_everything(self, client, heard, monkeypatch):
        def breaks(**given):
            raise ValueError(f"cannot write {given}")

        monkeypatch.setattr(families, "add_household", breaks)
        monkeypatch.setattr(payments, "record_payment", breaks)
        answers = [client.post(reverse("household_add"), {**FAMILY, "request_key": uuid4()})]
        household = HouseholdFactory(name=NAME)
        answers += [client.post(reverse("payment_take", args=[household.pk]), {**PAYMENT, "request_key": uuid4()})]
        self.check(answers, heard, "builtins.ValueError")

    def test_in_the_database_which_quotes_the_row(self, client, heard, monkeypatch):
        def breaks(**given):
            Household.objects.create(number="H-1", name=given["name"], street=None)

        monkeypatch.setattr(families, "add_household", breaks)
        answer = client.post(reverse("household_add"), {**FAMILY, "request_key": uuid4()})
        self.check([answer], heard, "django.db.utils.IntegrityError")

    def check(self, answers, heard, kind_of_error):
        for answer in answers:
            assert answer.status_code == 500
            assert [canary for canary in CANARIES if canary in answer.content.decode()] == []
        assert any(kind_of_error in text for text in heard.lines), heard.lines
        assert heard.canaries() == []
