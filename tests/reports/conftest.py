import pytest
from kept_studies import kept

from accstudy.reports import render


@pytest.fixture(scope="session")
def contents():
    """One study of each kind, as result tables."""
    names = {"validation": "one-device", "comparison": "comparison", "drift": "drift"}
    return {kind: kept(name)[1] for kind, name in names.items()}


@pytest.fixture(scope="session")
def built(contents):
    """First sentences, first page and the rest of each, figures included."""
    return {kind: render.KINDS[kind](content) for kind, content in contents.items()}


@pytest.fixture(scope="session")
def reports(contents, built):
    """The report of each."""
    with pytest.MonkeyPatch.context() as patched:
        for kind, parts in built.items():
            patched.setitem(render.KINDS, kind, lambda content, parts=parts: parts)
        return {kind: render.render_report(kind, content) for kind, content in contents.items()}
