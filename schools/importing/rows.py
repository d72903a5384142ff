"""One row of a file after the other, through the same forms and operations as at the desk; errors are kept by cell."""

from typing import Any

from django.db.models import Q

from rentals.inventory.models import InstrumentKind, Product
from rentals.runtime.forms import OfficeForm
from rentals.staff.models import User
from schools import directors, forms, operations
from schools.importing.outcome import Cells, Change, Outcome, describe_changes
from schools.models import Director, Programme, RequiredItem, School

ADDRESS = ("street", "city", "state", "postal_code", "delivery_weekday")
WRITER_FIELDS = {"name": "school", "kind": "programme"}


class SchoolRows:
    """Schools with their programmes and directors: a row for each programme, an empty cell changes nothing."""

    def __init__(self, outcome: Outcome, acting_user: User, today: Any) -> None:
        self.outcome, self.acting_user, self.today = outcome, acting_user, today
        self.said: dict[tuple[str, str], tuple[int, str]] = {}

    def take(self, cells: Cells) -> None:
        """Take one row in, or keep what is wrong with it."""
        if self._contradicts(cells):
            return
        school = self._school(cells)
        if school is None:
            return
        if not cells.text("programme"):
            for key in ("starting_grade", "expected_beginners", "director"):
                if cells.text(key):
                    message = "This belongs to a programme: write Band or Orchestra in the row."
                    self.outcome.errors.append(cells.error(key, message))
            return
        programme = self._programme(cells, school)
        if programme is not None:
            self._director(cells, programme)

    def _contradicts(self, cells: Cells) -> bool:
        """Whether an earlier row said otherwise about the same school or programme."""
        school = cells.text("school").casefold()
        about = dict.fromkeys(("district", *ADDRESS), school)
        part = f"{school}/{cells.text('programme').casefold()}"
        about |= dict.fromkeys(("starting_grade", "expected_beginners"), part)
        wrong = []
        for key, whose in about.items():
            value = cells.text(key)
            row, earlier = self.said.setdefault((whose, key), (cells.row, value)) if value else (cells.row, value)
            if earlier.casefold() != value.casefold():
                wrong.append(cells.error(key, f"Row {row} says “{earlier}”: write the same in both rows."))
        self.outcome.errors += wrong
        return bool(wrong)

    def _school(self, cells: Cells) -> School | None:
        known = School.objects.select_related("district").filter(name__iexact=cells.text("school")).first()
        before: dict[str, Any] = (
            {name: getattr(known, name) for name in operations.SCHOOL_FIELDS} if known else {"is_active": True}
        )
        before["district"] = str(known.district or "") if known else ""
        data = {name: cells.text(name) or before.get(name, "") for name in ("district", *ADDRESS)}
        weekday = cells.text("delivery_weekday")
        if weekday:
            found = [day.value for day in School.Weekday if day.label.casefold().startswith(weekday.casefold()[:9])]
            if len(found) != 1 or len(weekday) < 3:
                self.outcome.errors.append(cells.error("delivery_weekday", "Write a weekday from Monday to Friday."))
                return None
            data["delivery_weekday"] = found[0]
        elif data["delivery_weekday"] is None:
            data["delivery_weekday"] = ""
        name = known.name if known else cells.text("school")
        form = forms.SchoolForm({**data, "name": name, "is_active": "on" if before["is_active"] else ""})
        if not form.is_valid():
            self.outcome.errors += cells.form_errors(form, WRITER_FIELDS)
            return None
        after = form.cleaned_data
        if known and after["district"].casefold() == before["district"].casefold():
            after["district"] = before["district"]
        told = describe_changes(_with_weekday(before), _with_weekday(after), cells.labels) if known else ""
        if known and not told:
            return known
        if known:
            school = operations.change_school(school_id=known.pk, fields=after, acting_user=self.acting_user)
        else:
            school = operations.add_school(fields=after, acting_user=self.acting_user)
            told = ", ".join(filter(None, (after["district"], after["street"], after["city"])))
        self.outcome.changes.append(Change(cells.row, "School", school.name, known is None, told))
        return school

    def _programme(self, cells: Cells, school: School) -> Programme | None:
        kind = read_programme_kind(cells.text("programme"))
        known = Programme.objects.select_related("school").filter(school=school, kind=kind).first()
        before: dict[str, Any] = {name: getattr(known, name) for name in operations.PROGRAMME_FIELDS} if known else {}
        data = {name: cells.text(name) or before.get(name) for name in ("starting_grade", "expected_beginners")}
        if data["starting_grade"] is None:
            data["starting_grade"] = Programme._meta.get_field("starting_grade").default
        form = forms.ProgrammeForm({"kind": kind, **{name: "" if value is None else value for name, value in data.items()}})
        if not form.is_valid():
            self.outcome.errors += cells.form_errors(form, WRITER_FIELDS)
            return None
        told = describe_changes(before, form.cleaned_data, cells.labels) if known else ""
        if known and not told:
            return known
        if known:
            made = operations.change_programme(programme_id=known.pk, fields=form.cleaned_data, acting_user=self.acting_user)
        else:
            made = operations.add_programme(school=school, fields=form.cleaned_data, acting_user=self.acting_user)
        self.outcome.changes.append(Change(cells.row, "Programme", str(made), known is None, told))
        return made

    def _director(self, cells: Cells, programme: Programme) -> None:
        name, email, phone = cells.text("director"), cells.text("email"), cells.text("phone")
        if not name:
            for key, value in (("email", email), ("phone", phone)):
                if value:
                    self.outcome.errors.append(cells.error(key, "Write the director's name beside it."))
            return
        here = Q(name__iexact=name, programmes__school=programme.school_id)
        same = (Q(email__iexact=email, name__iexact=name) | here) if email else here
        known = Director.objects.filter(same, until_on=None).distinct().order_by("pk").first()
        form = DirectorCells({"name": name, "email": email, "phone": phone})
        if not form.is_valid():
            self.outcome.errors += cells.form_errors(form, {"name": "director"})
            return
        had = list(known.programmes.select_related("school").order_by("pk")) if known else []
        before = {"email": known.email, "phone": known.phone} if known else {}
        after = {key: form.cleaned_data[key] or before.get(key, "") for key in ("email", "phone")}
        told = describe_changes(before, after, cells.labels) if known else ""
        if programme not in had:
            told = "; ".join(filter(None, (told, f"directs {programme}")))
        elif known and not told:
            return
        facts = directors.DirectorFacts(
            name=known.name if known else name,
            **after,
            programmes=[*had, *([] if programme in had else [programme])],
            since_on=known.since_on if known else None,
            until_on=None,
        )
        said = {"facts": facts, "today": self.today, "acting_user": self.acting_user}
        if known:
            directors.change_director(director_id=known.pk, version=known.version, **said)
        else:
            directors.add_director(**said)
        self.outcome.changes.append(Change(cells.row, "Director", facts.name, known is None, told))


class DirectorCells(OfficeForm):
    """A director's cells."""

    name = forms.DirectorForm.base_fields["name"]
    email = forms.DirectorForm.base_fields["email"]
    phone = forms.DirectorForm.base_fields["phone"]


class ListRows:
    """Required lists: a row for each line, of programmes that are written down."""

    def __init__(self, outcome: Outcome, acting_user: User) -> None:
        self.outcome, self.acting_user = outcome, acting_user
        self.kinds = {kind.name.casefold(): kind for kind in InstrumentKind.objects.all()}
        products = list(Product.objects.filter(is_active=True))
        self.products = {product.name.casefold(): product for product in products}
        self.products |= {product.pk.casefold(): product for product in products}
        self.programmes = {
            (programme.school.name.casefold(), programme.kind): programme
            for programme in Programme.objects.select_related("school")
        }
        self.said: dict[tuple[Any, ...], int] = {}

    def take(self, cells: Cells) -> None:
        """Take one row in, or keep what is wrong with it."""
        programme = self._programme(cells)
        kind = self.kinds.get(cells.text("kind").casefold())
        product = self.products.get(cells.text("product").casefold()) if cells.text("product") else None
        if kind is None:
            self.outcome.errors.append(cells.error("kind", "We know no such instrument: write it as it stands in our lists."))
        if product is None and cells.text("product"):
            message = "We sell no such product: write its name as in our list, or put it under “Or in words”."
            self.outcome.errors.append(cells.error("product", message))
        if programme is None or kind is None or (product is None and cells.text("product")):
            return
        form = forms.RequiredItemForm(
            {
                "kind": kind.pk,
                "product": product.pk if product else "",
                "words": cells.text("words"),
                "quantity": cells.text("quantity") or "1",
                "sold_by": self._seller(cells, product),
                "choice": cells.text("choice"),
                "note": cells.text("note"),
            }
        )
        if not form.is_valid():
            self.outcome.errors += cells.form_errors(form)
            return
        facts = form.facts()
        key = (programme.pk, kind.pk, facts.product and facts.product.pk, facts.words.casefold())
        if self.said.setdefault(key, cells.row) != cells.row:
            self.outcome.errors.append(cells.error("product", f"Row {self.said[key]} asks for it already: keep one of the rows."))
            return
        self._put(cells, programme, kind, facts)

    def _programme(self, cells: Cells) -> Programme | None:
        kind = read_programme_kind(cells.text("programme"))
        programme = self.programmes.get((cells.text("school").casefold(), kind))
        if programme is None:
            known = any(name == cells.text("school").casefold() for name, _ in self.programmes)
            key = "programme" if known else "school"
            message = (
                "The school has no such programme: add it first." if known else "No school of this name has a programme yet."
            )
            self.outcome.errors.append(cells.error(key, message))
        return programme

    def _seller(self, cells: Cells, product: Product | None) -> str:
        written = cells.text("sold_by").casefold()
        if not written:
            return RequiredItem.SoldBy.US if product else RequiredItem.SoldBy.ANYWHERE
        names = {each.label.casefold(): each.value for each in RequiredItem.SoldBy} | {
            each.value: each.value for each in RequiredItem.SoldBy
        }
        return names.get(written, written)

    def _put(self, cells: Cells, programme: Programme, kind: InstrumentKind, facts: operations.RequiredFacts) -> None:
        same = {"product": facts.product} if facts.product else {"product": None, "words": facts.words}
        known = RequiredItem.objects.filter(programme=programme, kind=kind, **same).first()
        names = ("quantity", "sold_by", "choice", "note")
        before = {name: getattr(known, name) for name in names} if known else {}
        told = describe_changes(before, {name: getattr(facts, name) for name in names}, cells.labels) if known else ""
        if known and not told:
            return
        made = operations.put_on_required_list(programme=programme, kind=kind, facts=facts, acting_user=self.acting_user)
        name = f"{programme}, {kind}: {made.what}"
        self.outcome.changes.append(Change(cells.row, "Required list", name, known is None, told or f"{made.quantity} ×"))


def _with_weekday(fields: dict[str, Any]) -> dict[str, Any]:
    """A school's fields with the weekday in words."""
    weekday = fields["delivery_weekday"]
    return {**fields, "delivery_weekday": None if weekday is None else School.Weekday(weekday).label}


def read_programme_kind(text: str) -> str:
    """Return the kind of programme a cell names, by its word or ours; what is none comes back as it is.

    >>> read_programme_kind("Orchestra"), read_programme_kind("choir")
    ('orchestra', 'choir')
    """
    names = {each.label.casefold(): each.value for each in Programme.Kind}
    return str(names.get(text.casefold(), text))
