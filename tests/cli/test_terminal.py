"""What the terminal shows: many alike findings briefly, paths as one types them."""

from pathlib import Path

from accstudy.cli.options import abridged, quoted
from accstudy.errors import Finding, Severity, place


def findings(count, column="measured_at"):
    return [
        Finding(Severity.ERROR, "not-a-date", f'"{k}" is no date', place("scans.csv", k, column))
        for k in range(count)
    ]


def test_of_many_alike_the_first_three_are_shown_and_the_rest_counted():
    lines = list(abridged(findings(40)))
    assert len(lines) == 4
    assert '"2" is no date' in lines[2]
    assert "and 37 more of this kind" in lines[3]


def test_four_alike_or_different_ones_are_all_shown():
    assert len(list(abridged(findings(4)))) == 4
    assert len(list(abridged([*findings(3), *findings(3, column="session")]))) == 6


def test_findings_on_many_scan_files_are_counted_together():
    alike = [
        Finding(Severity.WARNING, "unit-suspect", f"it is {k} mm wide", f"scans/{k}.stl")
        for k in range(9)
    ]
    assert len(list(abridged(alike))) == 4


def test_paths_with_blanks_are_quoted():
    assert quoted(Path("my study")) == '"my study"'
    assert quoted(Path("my_study")) == "my_study"
