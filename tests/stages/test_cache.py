"""Digests kept between runs: nothing that changed passes for what it was."""

import json
import os
from pathlib import Path

import pytest

from accstudy.stages import cache
from accstudy.stages.cache import STAMPS, Stamps
from accstudy.study.disk import file_digest


@pytest.fixture
def old(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A file that has long been there."""
    path = tmp_path / "scan.stl"
    path.write_bytes(b"solid")
    late = cache.time.time_ns() + 10 * cache._SETTLED_NS
    monkeypatch.setattr(cache.time, "time_ns", lambda: late)
    return path


def again(folder: Path) -> Stamps:
    """The state of the next run."""
    return Stamps(folder)


def remember(path: Path) -> None:
    stamps = Stamps(path.parent)
    assert stamps.digest(path) == file_digest(path)
    stamps.keep()


def stored_of(path: Path) -> dict[str, list[int | str]]:
    return dict(json.loads((path.parent / STAMPS).read_bytes()))


def never(path: Path) -> str:
    raise AssertionError(f"{path} was read")


def test_what_did_not_change_is_not_read(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    remember(old)
    expected = file_digest(old)
    monkeypatch.setattr(cache, "file_digest", never)
    assert again(old.parent).digest(old) == expected
    moved = old.rename(old.parent / "renamed.stl")
    with pytest.raises(AssertionError, match="was read"):  # its time of change is another
        again(old.parent).digest(moved)


@pytest.mark.skipif(os.name == "nt", reason="st_ctime is the time of creation there")
def test_a_change_shows_whatever_its_times_are_set_to(old: Path) -> None:
    times = old.stat()
    remember(old)
    old.write_bytes(b"SOLID")  # of the same length
    os.utime(old, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert again(old.parent).digest(old) == file_digest(old)


def test_a_file_of_a_moment_ago_is_not_remembered(tmp_path: Path) -> None:
    path = tmp_path / "scan.stl"
    path.write_bytes(b"solid")
    remember(path)
    assert not (tmp_path / STAMPS).exists()


@pytest.mark.parametrize(
    "stored",
    [b"", b"\xff", b"[]", b"null", b'{"a": 1}', b'{"1:2": [1, 2, 3, "abc"]}', b"[" * 2000],
)
def test_a_damaged_state_is_none(old: Path, stored: bytes) -> None:
    (old.parent / STAMPS).write_bytes(stored)
    remember(old)
    assert [v[3] for v in stored_of(old).values()] == [file_digest(old)]


def test_what_is_not_asked_for_is_forgotten(old: Path) -> None:
    remember(old)
    stamps = again(old.parent)
    stamps.keep()
    assert stored_of(old) == {}
