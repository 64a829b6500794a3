"""`accstudy desk`: the same in a browser on this machine."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["desk"]


@click.command()
@click.argument(
    "folder", type=click.Path(file_okay=False, path_type=Path), default=None, required=False
)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="Port; a free one by default."
)
@click.option("--no-browser", is_flag=True, help="Print the link and do not open it.")
@click.option(
    "--room",
    is_flag=True,
    help="Let other devices in this network tick off planned scans, with a pass phrase.",
)
@click.option(
    "--shortcut",
    type=click.Path(file_okay=False, path_type=Path),
    is_flag=False,
    flag_value=Path(),
    help="Write files that start the desk by a double click, and end.",
)
def desk(
    folder: Path | None, port: int, no_browser: bool, room: bool, shortcut: Path | None
) -> None:
    """Open the program in the browser, for people without a terminal.

    Studies in FOLDER are shown, and new ones are created there; "accstudy studies" in the home
    folder by default. Nothing leaves this machine. Needs accstudy[desk].

    Example: accstudy desk our_studies
    """
    from accstudy.errors import MissingLibraryError

    home = folder or Path.home() / "accstudy studies"
    try:
        from accstudy.desk.server import serve, shortcuts
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] == "accstudy":
            raise
        raise MissingLibraryError(
            f"the desk needs {error.name}", hint='install it: pip install "accstudy[desk]"'
        ) from None
    if shortcut is not None:
        for path in shortcuts(shortcut, home):
            click.echo(f"written: {path}")
        return
    serve(home, port=port, room=room, browser=not no_browser, say=click.echo)
