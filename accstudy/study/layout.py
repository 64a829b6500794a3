"""How a table lies in its file: what study.toml says about a table as it was exported."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator

from accstudy.study.values import Section, Whole

__all__ = ["Layout", "one_or_several"]


def one_or_several(value: Any) -> Any:
    """One value as a list of one."""
    return value if isinstance(value, list | tuple) else (value,)


def _texts(value: Any) -> Any:
    """Cells are compared as text: 3 is "3"."""
    if isinstance(value, bool):
        return str(value).lower()
    return str(value) if isinstance(value, int | float) else value


Text = Annotated[str, BeforeValidator(_texts), Field(min_length=1)]


class Layout(Section):
    """Where a table lies in its file, and what its columns are called there."""

    sheet: str = ""
    """Sheet of the workbook; the first by default. Example: "Results" """
    header_row: Annotated[
        tuple[Annotated[Whole, Field(ge=0)], ...], BeforeValidator(one_or_several)
    ] = ()
    """Row with the names of the columns, as a spreadsheet counts; several rows where the names
    stand in several; 0 where there are none. The first row that is not empty by default.
    Example: 4"""
    rows: dict[str, Annotated[tuple[Text, ...], BeforeValidator(one_or_several)]] = Field(
        default_factory=dict
    )
    """Which rows count: a column of the file and the value, or values, that it must have.
    Example: { Type = "Cylinder" }"""
    label: Annotated[tuple[Text, ...], BeforeValidator(one_or_several)] = ()
    """Columns of the file that say what the values of a row are, where an implant has several
    rows. Example: ["Feature", "Characteristic"]"""
    columns: dict[str, Text] = Field(default_factory=dict)
    """For each column of the table, its name in the file; with `{implant}` in it, or another
    column of the table, where a name holds more than what is measured.
    Example: { x_mm = "X", implant = "Feature" }"""
    model: str = ""
    """Name of the model where the table has no column for it. Example: "model 1" """

    @model_validator(mode="after")
    def _no_header_stands_alone(self) -> Layout:
        if 0 in self.header_row and len(self.header_row) > 1:
            raise ValueError("header_row = 0 stands alone: the file has no names of columns")
        return self
