"""What each unmatched line most likely is, best first, with the reason in words. Reads for a whole page of lines at once."""

import datetime
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from django.db.models import Q, prefetch_related_objects

from billing.banking import near, new_payments, rules
from billing.banking.matching import Part
from billing.banking.outstanding import Outstanding, list_outstanding
from billing.banking.queries import list_open_lines
from billing.models import BankLine, Payment
from rentals.runtime.templatetags.office import day as written_day
from rentals.runtime.templatetags.office import money as written

SHOWN = 4
RETURN_WITHIN = datetime.timedelta(days=75)


@dataclass(frozen=True)
class Proposal:
    """One thing a line may be. `choice` is what is sent back to accept it; a certain one needs no second look.

    `charge_ids`: the open charges that a new payment is to the cent.
    """

    choice: str
    title: str
    reason: str
    is_certain: bool = False
    charge_ids: tuple[int, ...] = ()

    @property
    def is_return(self) -> bool:
        """Tell whether accepting asks first, because a payment is taken back."""
        return self.choice.startswith("return:")

    @property
    def payment_id(self) -> int:
        """The payment that would be taken back."""
        return int(self.choice.partition(":")[2])


@dataclass
class Known:
    """All that the proposals of some lines are made from."""

    outstanding: list[Outstanding] = field(default_factory=list)
    alike: Counter[tuple[str, Decimal]] = field(default_factory=Counter)
    returnable: list[Payment] = field(default_factory=list)
    open_lines: list[BankLine] = field(default_factory=list)
    other_sides: list[BankLine] = field(default_factory=list)
    new: new_payments.Known = field(default_factory=new_payments.Known)


def propose(
    lines: Sequence[BankLine], *, today: datetime.date, outstanding: list[Outstanding] | None = None
) -> dict[int, list[Proposal]]:
    """List the proposals of each line, by its id: at most four, the likeliest first. Eight queries, whatever the number
    (one more where the lines come without their accounts, one where money may have moved between two accounts).

    What waits at one account is never proposed for a line of another.
    `outstanding`: what waits in the books through those days, where it was read already.
    """
    if not lines:
        return {}
    prefetch_related_objects(list(lines), "account")
    known = _read(lines, today, outstanding)
    return {line.pk: _for_line(line, known)[:SHOWN] for line in lines}


def parts_of(choice: str, line: BankLine) -> list[Part]:
    """Read back a choice. Raises ValueError when it is none of ours, as one with a larger difference than is ever proposed."""
    what, _, rest = choice.partition(":")
    ids = [int(text) for text in rest.split(",") if text]
    if what == "off" and len(ids) == 2 and abs(Decimal(ids[1])) / 100 > near.MOST_OFF:
        raise ValueError(choice)
    if what in {"less", "off"} and len(ids) == 2:
        return [Part("entry", entry_id=ids[0]), Part("fee" if what == "less" else "difference", Decimal(ids[1]) / 100)]
    if what == "entries" and ids:
        return [Part("entry", entry_id=key) for key in ids]
    if what == "payment" and len(ids) == 1:
        return [Part("payment", line.amount, household_id=ids[0])]
    if what in {"fee", "hold"} and not ids:
        return [Part(what, line.amount)]
    raise ValueError(choice)


def _read(lines: Sequence[BankLine], today: datetime.date, outstanding: list[Outstanding] | None) -> Known:
    days = [line.posted_on for line in lines]
    waiting = outstanding
    if waiting is None:
        books = sorted({line.account.books_id for line in lines})
        waiting = list_outstanding(books=books, begins_on=min(days) - rules.SUM_BEFORE, through_on=max(days) + rules.AFTER)
    known = Known(
        outstanding=waiting,
        alike=_alike(lines),
        returnable=_returnable(lines),
    )
    if any(item.kind == "deposit" for item in waiting):
        days_near = (min(days) - near.APART, max(days) + near.APART)
        known.open_lines = list(
            list_open_lines().filter(amount__gt=0, posted_on__range=days_near).order_by("posted_on", "id")[:400]
        )
    known.other_sides = _other_sides(lines, known.alike)
    # What is certain by the books themselves is nobody's new payment.
    settled = {line.pk for line in lines if any(each.is_certain for each in _in_the_books(line, _text(line), known))}
    known.new = new_payments.look_up(lines, today=today, paid=settled)
    return known


def _alike(lines: Sequence[BankLine]) -> Counter[tuple[str, Decimal]]:
    """Count the open lines of each account and amount, those with the other sign too."""
    open_lines = list_open_lines().filter(amount__in={sign * line.amount for line in lines for sign in (1, -1)})
    return Counter(open_lines.values_list("account__books_id", "amount"))


def _other_sides(lines: Sequence[BankLine], alike: Counter[tuple[str, Decimal]]) -> list[BankLine]:
    """Open lines that may be the other side of some of these, at another account. No query where there are none."""
    books_of: dict[Decimal, set[str]] = {}
    for books, amount in alike:
        books_of.setdefault(amount, set()).add(books)
    amounts = {-line.amount for line in lines if books_of.get(-line.amount, set()) - {line.account.books_id}}
    if not amounts:
        return []
    days = [line.posted_on for line in lines]
    near_by = list_open_lines().filter(amount__in=amounts, posted_on__range=(min(days) - near.APART, max(days) + near.APART))
    return list(near_by.select_related("account").order_by("posted_on", "id")[:400])


def _fitting(line: BankLine, known: Known) -> list[Outstanding]:
    """What waits at the line's account and is the line to the cent, within a few days."""
    return [x for x in _here(line, known) if rules.fits(x, amount=line.amount, posted_on=line.posted_on)]


def _here(line: BankLine, known: Known) -> list[Outstanding]:
    """What waits at the line's account."""
    return [item for item in known.outstanding if item.books == line.account.books_id]


def _text(line: BankLine) -> str:
    return f"{line.name} {line.memo}"


def _returnable(lines: Sequence[BankLine]) -> list[Payment]:
    """Payments that lines of money out may be the return of: at the bank, of that amount, not returned, not long before."""
    out = [line for line in lines if line.amount < 0]
    if not out:
        return []
    at_bank = Q(deposit__isnull=False) | Q(method=Payment.Method.TRANSFER)
    return list(
        Payment.objects.filter(
            at_bank,
            amount__in={-line.amount for line in out},
            received_on__gte=min(line.posted_on for line in out) - RETURN_WITHIN,
            payment_return=None,
        )
        .select_related("household", "deposit")
        .order_by("-received_on", "-id")[:200]
    )


def _for_line(line: BankLine, known: Known) -> list[Proposal]:
    """Put together what a line may be, likeliest first."""
    text = _text(line)
    found = _in_the_books(line, text, known)
    if not found:
        found += [*_split(line, known), *_nearly(line, known)]
    if rules.is_returned_item(text, line.amount):
        found += _returned(line, text, known)
    if rules.is_bank_fee(line.kind, text, line.amount):
        found.append(Proposal("fee", "Bank fee", "The bank calls it a fee: it goes to bank fees."))
    if line.amount > 0:
        new = _new_payments(line, known, {x.household_id for x in _fitting(line, known)})
        # A family that owes just this much comes before a transfer of the same sum, which may be chance.
        fits = [each for each in new if each.is_certain or each.charge_ids]
        found += [*fits, *_between(line, known), *(each for each in new if each not in fits)]
    else:
        found += _between(line, known)
    if line.amount < 0 and not found:
        found += _returned(line, text, known)[:2]
    clear = (
        "Nothing here fits: it waits in “Bank receipts to clear”." if not found else "Or let it wait in “Bank receipts to clear”."
    )
    if found and found[0].is_certain:
        return found[: SHOWN - 1]
    return [*found[: SHOWN - 1], Proposal("hold", "Not known yet", clear)]


def _in_the_books(line: BankLine, text: str, known: Known) -> list[Proposal]:
    """What waits in the books and is the line to the cent: alone, or several together."""
    single = _fitting(line, known)
    only = len(single) == 1 and known.alike[line.account.books_id, line.amount] <= 1
    named = [item for item in single if {item.number, item.household_number} & set(rules.references_in(text))]
    ranked = []
    for item in single:
        said = _says(item, text)
        is_certain = (only and (item.kind in {"deposit", "return"} or bool(said))) or named == [item]
        gap = abs((line.posted_on - item.on).days)
        apart = "on the same day" if gap == 0 else f"{gap} day{'s' if gap > 1 else ''} apart"
        why = f"Same amount, {item.made}, {apart}" + (f"; {said}" if said else "; the only one" if only else "") + "."
        ranked.append((not said, gap, Proposal(f"entries:{item.entry_id}", item.title, why, is_certain)))
    if not ranked:
        for some in _sums(line, known):
            parts = ", ".join(f"{x.number or x.title} {written(x.amount)}" for x in some)
            choice = "entries:" + ",".join(str(x.entry_id) for x in some)
            ranked.append((True, 99, Proposal(choice, f"{len(some)} together", f"They add up to it: {parts}.")))
    return [proposal for *_order, proposal in sorted(ranked, key=lambda row: row[:2])]


def _nearly(line: BankLine, known: Known) -> list[Proposal]:
    """Deposits that differ by a fee or by a few cents, each with its difference and what becomes of it."""
    found = []
    for each in near.list_near(line, _here(line, known)):
        cents, off = int(each.difference * 100), written(abs(each.difference))
        if each.is_fee:
            why = f"{each.item.title} is {written(each.item.amount)}: {off} less has come, as if a fee were kept: to bank fees."
            found.append(Proposal(f"less:{each.item.entry_id},{cents}", f"{each.item.title} less a fee", why))
            continue
        way = "more" if each.difference > 0 else "less"
        why = (
            f"{each.item.title} is {written(each.item.amount)}, the bank counted {off} {way}. "
            f"{off} goes to “Cash over and short”; if a check was written down wrongly, put that right first."
        )
        found.append(Proposal(f"off:{each.item.entry_id},{cents}", f"{each.item.title}, {off} {way}", why))
    return found


def _split(line: BankLine, known: Known) -> list[Proposal]:
    """A deposit that the bank made several lines of."""
    found = []
    others = [other for other in known.open_lines if other.account_id == line.account_id]
    for item, some in near.list_splits(line, others, _here(line, known)):
        rest = " and ".join(f"{written(x.amount)} of {written_day(x.posted_on, 'short')}" for x in some)
        choice = f"split:{item.entry_id}," + ",".join(str(x.pk) for x in some)
        why = f"Together with {rest} it is {item.title}, {written(item.amount)}. All of these lines are matched in one act."
        found.append(Proposal(choice, f"Part of {item.title}", why))
    return found


def _between(line: BankLine, known: Known) -> list[Proposal]:
    """Money that moved between two accounts of the shop, of which neither line is matched yet."""
    found = []
    for other in near.list_other_sides(line, known.other_sides):
        came = line.amount > 0
        gap = abs((line.posted_on - other.posted_on).days)
        apart = "on the same day" if gap == 0 else f"{gap} day{'s' if gap > 1 else ''} apart"
        said = other.name or other.memo or other.kind
        why = (
            f"{written(abs(other.amount))} {'went out' if came else 'came in'} there, {apart}: “{said}”. "
            "Both lines are matched in one act."
        )
        found.append(Proposal(f"between:{other.pk}", f"{'From' if came else 'To'} our own {other.account}", why))
    return found


def _sums(line: BankLine, known: Known) -> list[tuple[Outstanding, ...]]:
    """What adds up to a line: deposits that went together, or payments of one family."""
    groups: dict[int | None, list[Outstanding]] = {}
    for item in known.outstanding:
        if item.books != line.account.books_id:
            continue
        groups.setdefault(None if item.kind == "deposit" else item.household_id or -item.entry_id, []).append(item)
    return [some for x in groups.values() for some in rules.sums_to(x, amount=line.amount, posted_on=line.posted_on)][:3]


def _says(item: Outstanding, text: str) -> str:
    """What of an item the bank's text names, in words; "" when nothing."""
    references = rules.references_in(text)
    if item.number in references:
        return f"the bank’s text names {item.number}"
    if item.household_number and item.household_number in references:
        return f"the bank’s text names {item.household_number}"
    words = set(rules.words_of(text))
    if item.household_name and words & set(rules.words_of(item.household_name)):
        return f"the bank’s text names {item.household_name}"
    return ""


def _returned(line: BankLine, text: str, known: Known) -> list[Proposal]:
    """Payments of that amount that may have come back: those the text names first, then checks, which is what mostly bounces."""
    words, references = set(rules.words_of(text)), rules.references_in(text)
    ranked = []
    for payment in known.returnable:
        since = payment.deposit.deposited_on if payment.deposit else payment.received_on
        if payment.amount != -line.amount or not since <= line.posted_on <= since + RETURN_WITHIN:
            continue
        number = payment.cheque_number
        named = payment.number in references or payment.household.number in references or (number and number in text)
        named = named or bool(words & set(rules.words_of(payment.household.name)))
        how = f"check {number}" if number else payment.get_method_display().lower()
        why = (
            f"{written(payment.amount)} by {how}, {'deposited' if payment.deposit else 'received'} {written_day(since, 'short')}"
        )
        why += "; the bank’s text names it." if named else "."
        title = f"{payment.number} came back, {payment.household.name} {payment.household.number}"
        ranked.append((not named, not number, -since.toordinal(), Proposal(f"return:{payment.pk}", title, why)))
    return [proposal for *_order, proposal in sorted(ranked, key=lambda row: row[:3])]


def _new_payments(line: BankLine, known: Known, paid_by: set[int | None]) -> list[Proposal]:
    """Families whose payment it may be; not those whose payment is in the books."""
    found = new_payments.list_for(line, known.new, paid_by=paid_by)
    return [
        Proposal(
            f"payment:{each.family.id}",
            f"Payment of {each.family.name} {each.family.number}",
            each.reason,
            is_certain=each.is_certain,
            charge_ids=each.charge_ids,
        )
        for each in found[: SHOWN - 1]
    ]
