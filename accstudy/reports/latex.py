"""Result tables as LaTeX, for a paper."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["latex_table"]

_SPECIAL = {
    "\\": r"\textbackslash{}",
    "&": r"\&",
    "%": r"\%",
    "$": r"\$",
    "#": r"\#",
    "_": r"\_",
    "{": r"\{",
    "}": r"\}",
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
    "−": "$-$",
    "µ": r"\textmu{}",
    "°": r"\textdegree{}",
    "–": "--",
    "\u00a0": "~",
    "<": r"\textless{}",
    ">": r"\textgreater{}",
}


def escaped(text: str) -> str:
    r"""Text that LaTeX shows as it stands.

    Examples
    --------
    >>> print(escaped("5 % of A_1 & −3"))
    5 \% of A\_1 \& $-$3
    """
    return "".join(_SPECIAL.get(c, c) for c in text)


def latex_table(
    caption: str, titles: Sequence[str], rows: Sequence[Sequence[str]], *, label: str
) -> bytes:
    """Write a table with rules of the package booktabs.

    Parameters
    ----------
    caption : str
        What the table shows.
    titles : sequence of str
        Column titles; the first column is set left, the others right.
    rows : sequence of sequence of str
        Cells as printed.
    label : str
        For cross-references.

    Returns
    -------
    bytes
        UTF-8.
    """
    lines = [
        r"% \usepackage{booktabs,textcomp}",
        r"\begin{table}",
        rf"\caption{{{escaped(caption)}}}\label{{{label}}}",
        rf"\begin{{tabular}}{{l{'r' * (len(titles) - 1)}}}",
        r"\toprule",
        " & ".join(escaped(t) for t in titles) + r" \\",
        r"\midrule",
        *(" & ".join(escaped(c) for c in row) + r" \\" for row in rows),
        r"\bottomrule",
        r"\end{tabular}",
        r"\end{table}",
        "",
    ]
    return "\n".join(lines).encode()
