"""What every part of the catalogue states, and the words shared by its families."""

from __future__ import annotations

import re
from typing import Annotated, ClassVar, Literal, NamedTuple

from pydantic import BeforeValidator, Field

from catalog.quantities import refusal
from catalog.reading import Id, Strict, Text
from catalog.wording import shown

__all__ = ["DEAREST", "Fits", "Money", "Part", "Price"]

DEAREST = 1_000_000_000  # of any currency; cents of sums stay exact
_MOST_STOCK = 1_000_000_000


class Price(NamedTuple):
    """An amount of money and its currency (ISO 4217 code)."""

    amount: float
    currency: str

    def __str__(self) -> str:
        return f"{self.amount:.2f} {self.currency}"


def _price(text: object) -> Price:
    found = re.fullmatch(r"([0-9]+(?:\.[0-9]{1,2})?) ([A-Z]{3})", text) if isinstance(text, str) else None
    if found is None:
        raise refusal("not a price", got=shown(text), expected="an amount and a currency code, like '42.50 EUR'")
    if len(found[1]) > 15 or float(found[1]) > DEAREST:
        expected = f"at most {DEAREST:,}"
        raise refusal("the price is beyond belief", got=shown(text), expected=expected, hint="check the amount")
    return Price(float(found[1]), found[2])


Money = Annotated[Price, BeforeValidator(_price)]
Fits = Annotated[list[Id], Field(min_length=1, max_length=100)]


class Part(Strict):
    """What every part states."""

    slot: ClassVar[str]

    id: Id
    description: Text
    source: Text
    basis: Literal["measured", "datasheet", "estimated", "example"]
    price: Money | None = None
    stock: Annotated[int, Field(ge=0, le=_MOST_STOCK)] | None = None
