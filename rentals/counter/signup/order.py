"""From answers to an order and back: what a sheet sends, what of it is kept, and the sign-up that comes of a checked sheet."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from billing import queries as billing
from rentals.agreements import operations, wording
from rentals.agreements.models import Agreement, SignUpDraft
from rentals.agreements.operations import SignatureGiven, SignUp
from rentals.agreements.quotes import Quote
from rentals.counter.signup.forms import SheetForm
from rentals.counter.signup.sheet import NEW, Answers, Known, read_answers
from rentals.families.models import Household, Student
from rentals.inventory import rules as fleet_rules
from rentals.inventory.models import CatalogueItem
from rentals.runtime.money import ZERO

KEPT = frozenset(SheetForm.base_fields)
LONGEST_ANSWER = 200
UNSIGNED = SignatureGiven(signer_name="", method="typed", consent_wording="")


def first_answers(household: Household, given: Mapping[str, str]) -> dict[str, str]:
    """Return what is known before the first question: the one student, the family's name, the school of a brother or sister."""
    students = list(household.students.order_by("pk"))
    answers = {name: given[name] for name in ("received_at", "programme", "student") if given.get(name)}
    if "student" not in answers:
        answers["student"] = NEW if not students or "another" in given else str(students[0].pk) if len(students) == 1 else ""
    answers.setdefault("family_name", household.name)
    answers.setdefault("tier", CatalogueItem.Tier.BEGINNER.value)
    answers.setdefault("received_at", Agreement.ReceivedAt.COUNTER.value)
    chosen = next((student for student in students if str(student.pk) == answers["student"]), None)
    if chosen and chosen.programme_id:
        answers.setdefault("programme", str(chosen.programme_id))
    return {name: value for name, value in answers.items() if value}


def answers_from(posted: Mapping[str, str]) -> dict[str, str]:
    """Return what a sheet sent, field by field as typed; a tag chosen from the list counts as typed."""
    answers = {
        name: posted[name].replace("\x00", "")[:LONGEST_ANSWER]
        for name in posted
        if name in KEPT or name.startswith(("goods_", "quantity_"))
    }
    if posted.get("take"):
        answers["tag"] = posted["take"][:LONGEST_ANSWER]
    return answers


def with_proposed_size(answers: dict[str, str], before: Answers, known: Known) -> dict[str, str]:
    """Follow the measurements: take the proposed size, unless somebody chose another one by hand. A student brings the school."""
    answers = _with_school(answers, before, known)
    picked = read_answers(answers, known)
    if not picked.kind or not picked.kind.has_sizes:
        return answers
    was = read_answers(before, known)
    proposed = fleet_rules.propose_size(picked.kind.pk, arm_inches=picked.arm, grade=picked.grade)
    earlier = (
        fleet_rules.propose_size(was.kind.pk, arm_inches=was.arm, grade=was.grade)
        if was.kind and was.kind == picked.kind
        else None
    )
    by_hand = was.kind == picked.kind and answers.get("size") and (earlier is None or answers["size"] != earlier.size)
    return {**answers, "size": proposed.size} if proposed and not by_hand else answers


def _with_school(answers: dict[str, str], before: Answers, known: Known) -> dict[str, str]:
    if answers.get("student") == before.get("student"):
        return answers
    student = next((each for each in known.students if str(each.pk) == answers.get("student")), None)
    if student is None or not student.programme_id:
        return answers
    return {**answers, "programme": str(student.programme_id)}


def parts_to_send(before: Answers, after: Answers, *, taken: bool) -> set[str]:
    """Return which parts of the sheet follow from what changed; a part somebody may be typing in is left alone.

    The price and the instruments on the shelf are always sent.
    """
    changed = {name for name in {*before, *after} if before.get(name) != after.get(name)}
    parts = set()
    if changed & {"student"}:
        parts |= {"student", "school"}
    if changed & {"kind"}:
        parts |= {"size", "model"}
    if changed & {"plan"}:
        parts.add("model")
    if changed & {"arm", "grade", "student", "programme", "size"} and "size" not in parts:
        parts.add("proposal")
    if changed & {"kind", "tier", "plan", "size", "tag"}:
        parts.add("protection")
    if changed & {"kind", "programme", "student"}:
        parts.add("goods")
    if taken:
        parts.add("tag")
    return parts


@dataclass(frozen=True)
class Order:
    """A checked sheet: the sign-up that only waits for its signature, its price and its text."""

    signup: SignUp
    quote: Quote
    sections: tuple[wording.Section, ...]
    sha256: str
    owed_before: Decimal

    def signed_with(self, signature: SignatureGiven, *, shown: str) -> SignUp:
        """Return the sign-up with its signature; `shown` is the fingerprint of the text the family saw."""
        return dataclasses.replace(self.signup, signature=signature, shown_sha256=shown or self.sha256)


def read_order(draft: SignUpDraft, form: SheetForm) -> Order:
    """Turn a valid sheet into an order. The student may be one that is not written down yet."""
    picked, panel = form.panel.picked, form.panel
    assert picked.guardian is not None
    assert picked.version is not None
    assert panel.unit is not None
    assert panel.quote is not None
    signup = SignUp(
        request_key=draft.pk,
        household=draft.household,
        guardian=picked.guardian,
        student=picked.student or _new_student(draft, form),
        programme=picked.programme,
        instrument=panel.unit,
        plan_version=picked.version,
        protection=bool(picked.protection),
        goods=panel.taken_goods,
        received_at=picked.received_at,
        starts_on=form.known.today,
        signature=UNSIGNED,
    )
    sections = wording.agreement_sections(panel.quote, operations.parties_of(signup, panel.unit))
    owed = billing.sum_balance(draft.household_id)
    return Order(signup, panel.quote, sections, wording.sha256_of(sections), max(owed, ZERO))


def _new_student(draft: SignUpDraft, form: SheetForm) -> Student:
    cleaned = form.cleaned_data
    return Student(
        household=draft.household,
        given_name=cleaned["given_name"],
        family_name=cleaned["family_name"],
        grade=int(cleaned["grade"]) if cleaned["grade"] else None,
        programme=form.panel.picked.programme,
    )
