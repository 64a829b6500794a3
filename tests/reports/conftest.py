import importlib.util
from pathlib import Path

import pytest

from accstudy.reports.render import render_report

_spec = importlib.util.spec_from_file_location("mock", Path(__file__).parent / "mock.py")
mock = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(mock)


@pytest.fixture(scope="session")
def make_validation():
    return mock.validation


@pytest.fixture(scope="session")
def contents():
    """One study of each kind, as result tables."""
    return {
        "validation": mock.validation(),
        "comparison": mock.comparison(margin=25.0),
        "drift": mock.drift(),
    }


@pytest.fixture(scope="session")
def reports(contents):
    """The report of each."""
    return {kind: render_report(kind, content) for kind, content in contents.items()}
