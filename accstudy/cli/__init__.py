"""Commands: parse, call, show. Nothing heavy is imported before a command runs."""

from accstudy.cli.main import main

__all__ = ["main"]
