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
    """Sheet of the workbook; the first sheet by default. Example: "Results" """
    header_row: Annotated[
        tuple[Annotated[Whole, Field(ge=0)], ...], BeforeValidator(one_or_several)
    ] = ()
    """Row with the column names, counted as in a spreadsheet; several rows if the names span
    several; 0 if there are none. By default the first row that is not empty.
    Example: 4"""
    rows: dict[str, Annotated[tuple[Text, ...], BeforeValidator(one_or_several)]] = Field(
        default_factory=dict
    )
    """Rows to use: a column of the file and the value or values that it must have.
    Example: { Type = "Cylinder" }"""
    label: Annotated[tuple[Text, ...], BeforeValidator(one_or_several)] = ()
    """Columns of the file that identify the values in a row, if an implant has several rows.
    Example: ["Feature", "Characteristic"]"""
    columns: dict[str, Text] = Field(default_factory=dict)
    """For each column of the table, its name in the file; with `{implant}`, or another column of
    the table, as a placeholder where a name contains more than the measured quantity.
    Example: { x_mm = "X", implant = "Feature" }"""
    model: str = ""
    """Name of the model, if the table has no column for it. Example: "model 1" """

    @model_validator(mode="after")
    def _no_header_stands_alone(self) -> Layout:
        if 0 in self.header_row and len(self.header_row) > 1:
            raise ValueError("header_row = 0 must be the only value: the file has no column names")
        return self
