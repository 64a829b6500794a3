"""Tests that share a costly fixture run in one process, so that it is made once."""

import pytest

_SHARED = ("module", "session")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Group tests by what they share: their module, or the folder whose conftest.py has it."""
    for item in items:
        known = getattr(item, "_fixtureinfo", None)
        used = known.name2fixturedefs.values() if known else ()
        own = [d[-1] for d in used if d[-1].scope in _SHARED and d[-1].baseid.startswith("tests")]
        if own:
            widest = min((d.baseid for d in own), key=len)
            item.add_marker(pytest.mark.xdist_group(widest))
