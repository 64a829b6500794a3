"""Tests that share a costly fixture run in one process, so that it is made once."""

import pytest


def pytest_itemcollected(item):
    """Group tests by what they share: their module, or the folder whose conftest.py has it."""
    known = getattr(item, "_fixtureinfo", None)
    used = [found[-1] for found in known.name2fixturedefs.values()] if known else []
    shared = [d.baseid for d in used if d.scope != "function" and d.baseid.startswith("tests")]
    if shared:
        item.add_marker(pytest.mark.xdist_group(min(shared, key=len)))
