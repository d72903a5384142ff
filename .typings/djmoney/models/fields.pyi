# What mypy needs to know of the one field used from this package: it takes and gives amounts with their currency.
from decimal import Decimal
from typing import Any

from django.db import models
from django.db.models.expressions import Combinable
from moneyed import Money

class MoneyField(models.DecimalField[Any, Any]):
    _pyi_private_set_type: Money | Decimal | int | str | float | Combinable  # type: ignore[assignment]
    _pyi_private_get_type: Money  # type: ignore[assignment]
    def __init__(self, *args: Any, default_currency: str = ..., **kwargs: Any) -> None: ...
