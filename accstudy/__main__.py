"""``python -m accstudy`` is the command ``accstudy``."""

from accstudy.cli import main

main()
