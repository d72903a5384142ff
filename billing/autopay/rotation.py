"""Sealing everything anew with the newest key, so that an older one can be taken away."""

from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

from django.db import models, transaction
from django.db.models import QuerySet
from django.db.models.functions import Substr

from billing.autopay.crypto import KeyRing, about_account, about_answers, about_file_part, key_of, ring
from billing.models import AutopayAnswers, AutopayAuthorisation, AutopayFilePart
from rentals.runtime.locks import lock_one

AT_ONCE = 500


def rotate(tell: Callable[[str], None] = lambda _: None) -> Counter[str]:
    """Seal every account number and kept file with the newest key, and count accounts by the index key of today.

    Row by row, each its own transaction: it may be stopped and run again, and nothing waits for it. Returns how many rows of
    which sort were changed. Outermost. Raises KeyMissingError, SealBrokenError.
    """
    keys, changed = ring(), Counter[str]()
    for authorisation_id in _keys_of(AutopayAuthorisation.objects.all()):
        changed["account numbers"] += _rotate_account(authorisation_id, keys)
    for part_id in _keys_of(AutopayFilePart.objects.all()):
        changed["parts of files"] += _rotate_bytes(AutopayFilePart, part_id, keys)
    for answers_id in _keys_of(AutopayAnswers.objects.exclude(sealed=None)):
        changed["files that wait"] += _rotate_bytes(AutopayAnswers, answers_id, keys)
    for what, count in changed.items():
        tell(f"{count} {what} sealed anew with key “{keys.newest}”.")
    return changed


def list_keys_in_use() -> dict[str, int]:
    """Count what is sealed by each key; one that is not here can be taken away."""
    used: Counter[str] = Counter()
    for rows, column in (
        (AutopayAuthorisation.objects.all(), "account_sealed"),
        (AutopayFilePart.objects.all(), "sealed"),
        (AutopayAnswers.objects.exclude(sealed=None), "sealed"),
    ):
        head = Substr(column, 1, 24, output_field=models.BinaryField())
        for (sealed,) in rows.annotate(head=head).values_list("head").iterator(chunk_size=AT_ONCE):
            used[key_of(sealed)] += 1
    return dict(used)


def _keys_of(rows: QuerySet[Any]) -> Iterator[int]:
    return rows.order_by("pk").values_list("pk", flat=True).iterator(chunk_size=AT_ONCE)


@transaction.atomic
def _rotate_account(authorisation_id: int, keys: KeyRing) -> int:
    row = lock_one(AutopayAuthorisation.objects.filter(pk=authorisation_id), strength="no_key")
    about = about_account(row.pk)
    number = keys.open(row.account_sealed, about=about)
    index = keys.index(row.routing_number, number.decode())
    if key_of(row.account_sealed) == keys.newest and index == row.account_index:
        return 0
    row.account_sealed, row.account_index = keys.seal(number, about=about), index
    row.save(update_fields=["account_sealed", "account_index"])
    return 1


@transaction.atomic
def _rotate_bytes(model: type[models.Model], key: int, keys: KeyRing) -> int:
    row = lock_one(model._default_manager.filter(pk=key), strength="no_key")
    about = about_file_part(row.file_id, row.place) if isinstance(row, AutopayFilePart) else about_answers(row.pk)
    if row.sealed is None or key_of(row.sealed) == keys.newest:
        return 0
    row.sealed = keys.seal(keys.open(row.sealed, about=about), about=about)
    row.save(update_fields=["sealed"])
    return 1
