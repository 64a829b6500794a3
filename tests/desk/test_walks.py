"""Whole walks in a browser, and the same by commands: the same bytes."""

import os
import re
import shutil

import pytest
from chromium import size
from click.testing import CliRunner
from person import Person

from accstudy.cli import main

pytestmark = pytest.mark.filterwarnings("default")


def call(*words, code=0):
    done = CliRunner().invoke(main, [str(w) for w in words], catch_exceptions=False)
    assert done.exit_code == code, done.output
    return done.output


def results(study):
    """Every file of the results and the report, but times and machines in the record."""
    found = [p for top in ("results", "reports") for p in sorted((study / top).rglob("*"))]
    skip = ("history.jsonl", "record.json")
    return {
        p.relative_to(study).as_posix(): p.read_bytes()
        for p in found
        if p.is_file() and p.name not in skip
    }


def test_a_clinic_from_nothing_to_the_report(started, browser, export, tmp_path):
    with started(tmp_path / "home") as desk:
        size(browser, 1280)
        browser.get(desk.link)
        one = Person(browser)
        one.clicks("New study")
        one.chooses("Do impressions made with this device")
