import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("mock", Path(__file__).parent / "mock.py")
mock = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(mock)


@pytest.fixture(scope="session")
def validation_content():
    return mock.validation()


@pytest.fixture(scope="session")
def make_validation():
    return mock.validation


@pytest.fixture(scope="session")
def validation_files(validation_content):
    from accstudy.reports.render import render_report

    return render_report("validation", validation_content)
