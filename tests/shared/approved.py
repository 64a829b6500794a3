"""Text that somebody has read and approved, and how what is made now differs from it."""

import difflib
import os


def compare(file, found):
    """Run tests with ``APPROVE=1`` after a change on purpose, and read what git says."""
    if os.environ.get("APPROVE"):
        file.write_text(found, encoding="utf-8")
    was = file.read_text(encoding="utf-8")
    lines = difflib.unified_diff(was.splitlines(), found.splitlines(), "approved", "now", n=0)
    assert found == was, "\n".join([*lines][:60])
