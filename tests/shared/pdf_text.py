"""The text of a PDF, in the order in which it was written."""

from contextlib import closing

import pypdfium2


def page_texts(pdf):
    """Text of every page of a PDF, which is given as bytes or by its path."""
    with closing(pypdfium2.PdfDocument(pdf)) as document:
        return [_plain(page.get_textpage().get_text_bounded()) for page in document]


def text_of(pdf):
    """Words of all pages, one space between any two."""
    return " ".join(" ".join(page_texts(pdf)).split())


def _plain(text):
    """Lines, without the marks that pdfium puts where a word parts at the end of a line."""
    return text.replace("\r\n", "\n").replace("\ufffe\n", "").replace("\x02\n", "")
