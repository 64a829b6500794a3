"""How `make site` turns these pages into a site; nothing is fetched to build or to read it."""

import re
from typing import Any

import accstudy

project = "accstudy"
author = "The accstudy developers"
version = release = accstudy.__version__
copyright = "the accstudy developers, MIT licence"
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
exclude_patterns = ["website", "generate.py"]
root_doc = "index"

html_theme = "furo"
html_title = f"accstudy {accstudy.__version__}"
html_copy_source = False
html_show_sphinx = False
html_static_path = ["static"]
html_css_files = ["accstudy.css"]

myst_heading_anchors = 3

autodoc_member_order = "bysource"
autodoc_typehints = "none"  # types stand in the docstrings, in words, with shapes and units
napoleon_google_docstring = False
napoleon_use_param = False  # words such as "(n, 3)" are no links
napoleon_use_rtype = False

LEADING = ("index", "reference/python")
"""Pages whose lists of links are the table of contents of the site, in their order."""


def _contents(app: Any, page: str, source: list[str]) -> None:
    """Add the table of contents, which a reader of the plain file need not see."""
    if page not in LEADING:
        return
    caption, out = "", []
    for heading, link in re.findall(
        r"^#+ (.+)$|^[-|].*?\]\(((?!\.\.)[^)#]+)\.md\)", source[0], flags=re.MULTILINE
    ):
        if heading:
            caption = heading
        else:
            out.append((caption, link))
    for caption in dict.fromkeys(c for c, _ in out):
        pages = "\n".join(link for c, link in out if c == caption)
        source[0] += f"\n\n```{{toctree}}\n:hidden:\n:caption: {caption}\n\n{pages}\n```\n"


def setup(app: Any) -> None:
    """Connect the above."""
    app.connect("source-read", _contents)
