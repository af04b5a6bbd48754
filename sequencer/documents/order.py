"""What a record does not know of a test: customer, order, condition of the item, who answers; as people write it."""

import datetime as dt
from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from instruments.filemodel import FileModel
from instruments.yamlfile import read

__all__ = ["Address", "Amends", "Item", "Order", "load_order"]


class Address(FileModel):
    """Whom a document names: a customer, a laboratory. `country` is a code of ISO 3166-1, such as DE."""

    name: str = ""
    street: str = ""
    post_code: str = ""
    city: str = ""
    country: str = Field("", pattern=r"^([A-Z]{2})?$")
    phone: str = ""
    e_mail: str = Field("", alias="e-mail")
    contact: str = ""

    @property
    def lines(self) -> tuple[str, ...]:
        """Name and address, line by line."""
        town = " ".join(each for each in (self.post_code, self.city) if each)
        place = ", ".join(each for each in (town, self.country) if each)
        return tuple(each for each in (self.name, self.street, place) if each)


class Item(FileModel):
    """The unit under test, beyond what its type sheet and the record say."""

    description: str = ""
    manufacturer: str = ""
    model: str = ""
    tag: str = ""
    condition: str = ""
    received: dt.date | None = None


class Amends(FileModel):
    """Which report a new revision replaces, and why."""

    number: str = Field(min_length=1)
    reason: str = Field(min_length=1)


class Order(FileModel):
    """What is known of an order; whatever is left out is named in the document as not stated.

    Attributes:
        number: of the report, unique in the laboratory.
        revision: of the report; the first is 1.
        order: the customer's number.
        place: where the test was done; left out, it was in the laboratory of the template.
        conditions: of the test, by name, such as {relative humidity: 45 % ± 5 %}, beside those that the bench states.
        method: of the laboratory's own, such as a work instruction with its edition.
        opinions_by: who is authorised to express opinions; without it the document has none.
        opinions: in the words of that person and the language of the document; what the record says of a likely cause
            is in English, and stands in a document in English alone.
        recommended_interval: of calibration, where the customer asked for one (ISO/IEC 17025:2017, 7.8.4.3).
    """

    number: str = ""
    revision: int = Field(1, ge=1)
    amends: Amends | None = None
    customer: Address = Address()
    order: str = ""
    purpose: str = ""
    item: Item = Item()
    place: str = ""
    issued: dt.date | None = None
    ambient: str = ""
    humidity: str = ""
    conditions: dict[str, str] = Field(default_factory=dict)
    method: str = ""
    deviations: str = ""
    external: str = ""
    observations: str = ""
    tested_by: str = ""
    authorised_by: str = ""
    opinions_by: str = ""
    opinions: str = ""
    recommended_interval: str = ""

    @model_validator(mode="after")
    def _names_the_old(self) -> Self:
        if self.revision > 1 and self.amends is None:
            raise ValueError('"amends", with number and reason, beside a revision after the first')
        return self

    @model_validator(mode="after")
    def _says_whose(self) -> Self:
        if self.opinions and not self.opinions_by:
            raise ValueError('"opinions by", the name of who is authorised to express them, beside "opinions"')
        return self


def load_order(path: Path) -> Order:
    """An order from its file; raises InputError with every fault of it."""
    return read(path).into(Order)
