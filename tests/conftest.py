"""Tests that share a costly fixture run in one process, so that it is made once."""

import gc

import pytest

gc.set_threshold(50_000, 20, 50)  # at the usual ones it takes a twentieth of all tests

collect_ignore = ["mutants.py"]  # needs a tool of its own; see the Makefile


def shared_by(item):
    """Modules and folders whose fixtures a test shares with others."""
    known = getattr(item, "_fixtureinfo", None)
    used = [found[-1] for found in known.name2fixturedefs.values()] if known else []
    return [d.baseid for d in used if d.scope != "function" and d.baseid.startswith("tests")]


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Group all tests of a module by the widest of what they share: module, or folder."""
    groups = {}
    for item in items:
        groups.setdefault(item.path, []).extend(shared_by(item))
    for item in items:
        if groups[item.path]:
            item.add_marker(pytest.mark.xdist_group(min(groups[item.path], key=len)))
