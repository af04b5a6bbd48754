"""How people write a characteristic that is no straight line: a root, a table, or a curve to be fitted to readings."""

from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Discriminator, Field, Tag, model_validator

from instruments.fields import FractionField
from instruments.filemodel import FileModel

__all__ = ["LEAST_STEP_FRAC", "CurvedCharacteristic", "FitSheet", "PolynomialFit"]

LEAST_STEP_FRAC = 1e-9  # of a table: less is no slope that a unit could have


class SquareRoot(FileModel):
    """Flow from differential pressure; ideally at 0 % below the cut-off (in % of flow)."""

    cut_off: FractionField = Field(0.0, ge=0, lt=1)


class Table(FileModel):
    """A characteristic as a table, in % of input and output range, straight in between."""

    points: tuple[tuple[FractionField, FractionField], ...] = Field(min_length=2)

    @model_validator(mode="after")
    def _rises(self) -> Self:
        inputs = [point[0] for point in self.points]
        if any(after - before < LEAST_STEP_FRAC for before, after in pairwise(inputs)):
            raise ValueError("input values that rise from row to row")
        return self


class PolynomialFit(FileModel):
    """A polynomial to be fitted to the readings, with a constant term unless it goes through the origin."""

    degree: int = Field(ge=1, le=10)
    through_the_origin: bool = False


class FitSheet(FileModel):
    """A curve to be fitted to the readings: a polynomial, or levels at inputs, in % of range, straight in between."""

    polynomial: PolynomialFit | None = None
    table: tuple[FractionField, ...] = ()

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.polynomial is None) == (not self.table):
            raise ValueError('exactly one of "polynomial" and "table"')
        if self.table and (len(self.table) < 2 or any(b - a < LEAST_STEP_FRAC for a, b in pairwise(self.table))):
            raise ValueError("two inputs or more of a table, each above the one before")
        return self

    @property
    def goes_through_origin(self) -> bool:
        """True for a polynomial without constant term."""
        return self.polynomial is not None and self.polynomial.through_the_origin

    @property
    def coefficients_n(self) -> int:
        """How many numbers are fitted."""
        if self.polynomial is None:
            return len(self.table)
        return self.polynomial.degree + (0 if self.polynomial.through_the_origin else 1)

    def __str__(self) -> str:
        if self.polynomial is None:
            return f"table of {len(self.table)} points"
        degree = self.polynomial.degree
        form = "line" if degree == 1 else f"polynomial of degree {degree}"
        return f"{form}{' through the origin' if self.goes_through_origin else ''}"


def _form_of_fit(given: object) -> str:
    return "line" if isinstance(given, str) else "curve"


FitField = Annotated[
    Annotated[Literal["line through the origin"], Tag("line")] | Annotated[FitSheet, Tag("curve")],
    Discriminator(_form_of_fit),
]


class CurvedCharacteristic(FileModel):
    """A characteristic with settings of its own."""

    square_root: SquareRoot | None = None
    table: Table | None = None
    fit: FitField | None = None

    @model_validator(mode="after")
    def _one(self) -> Self:
        if sum(each is not None for each in (self.square_root, self.table, self.fit)) != 1:
            raise ValueError('exactly one of "square root", "table" and "fit"')
        return self
