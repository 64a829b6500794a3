"""Types of the values of study.toml: numbers that are none of words, each in its range."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from accstudy.errors import InputError
from accstudy.quantities import implausible
from accstudy.study.cells import read_day, read_flag

__all__ = [
    "CoordinateMm",
    "Day",
    "ExpansionPerK",
    "Flag",
    "FromPlatformMm",
    "HeightMm",
    "LimitDeg",
    "LimitUm",
    "Number",
    "PointMm",
    "Positive",
    "RadiusMm",
    "Section",
    "Share",
    "TemperatureC",
    "Vector",
    "Whole",
    "in_range_of",
]


def _number(value: object) -> object:
    """Refuse words and truth values where a number is meant: true is not 1."""
    if isinstance(value, bool | str):
        raise PydanticCustomError(
            "not_a_number",
            "a number is needed",
            {"hint": "write a number without quotation marks, with a decimal point"},
        )
    return value


def _day(value: object) -> object:
    """A date, also one in quotation marks, if it can be read only one way."""
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date) or value is None:
        return value
    try:
        return read_day(str(value))
    except InputError as error:
        told = {"what": error.message, "hint": error.hint}
        raise PydanticCustomError("not_a_date", "{what}", told) from None


def _flag(value: object) -> object:
    """True or false, also in quotation marks or in another language."""
    found = read_flag(str(value))
    if found is None:
        raise PydanticCustomError(
            "not_a_flag", "neither true nor false", {"hint": "write true or false"}
        )
    return found


def in_range_of(key: str) -> AfterValidator:
    """Refuse a number outside the range in which this quantity can be true."""

    def check(value: float) -> float:
        doubt = implausible(key, value)
        if doubt:
            raise PydanticCustomError("implausible", "{what}", {"what": doubt[0], "hint": doubt[1]})
        return value

    return AfterValidator(check)


Number = Annotated[float, BeforeValidator(_number), Field(allow_inf_nan=False)]
Day = Annotated[dt.date, BeforeValidator(_day)]
Flag = Annotated[bool, BeforeValidator(_flag)]
Whole = Annotated[int, BeforeValidator(_number)]
Positive = Annotated[Number, Field(gt=0)]
TemperatureC = Annotated[Number, in_range_of("temperature_c")]
ExpansionPerK = Annotated[Number, in_range_of("expansion_per_k")]
LimitUm = Annotated[Number, in_range_of("limit_um")]
LimitDeg = Annotated[Number, in_range_of("limit_deg")]
Share = Annotated[Number, in_range_of("share")]
RadiusMm = Annotated[Number, in_range_of("radius_mm")]
HeightMm = Annotated[Number, in_range_of("height_mm")]
FromPlatformMm = Annotated[Number, in_range_of("from_platform_mm")]
CoordinateMm = Annotated[Number, in_range_of("coordinate_mm")]
Vector = tuple[Number, Number, Number]
PointMm = tuple[CoordinateMm, CoordinateMm, CoordinateMm]


class Section(BaseModel):
    """A table of study.toml: unknown keys are faults."""

    model_config = ConfigDict(extra="forbid", frozen=True)
