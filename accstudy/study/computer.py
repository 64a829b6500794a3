"""On what a result was computed: numbers agree to the last bit on one such machine only."""

from __future__ import annotations

import contextlib
import platform
import re

__all__ = ["computer", "differences"]


_OURS = re.compile(r"(numpy|scipy)\.(libs|dylibs)|lib(open|atlas|mkl|blis)")


def computer() -> dict[str, str]:
    """Name what the last bits of a number depend on.

    Returns
    -------
    dict of str to str
        ``system``, ``processor`` (its family), and ``linear algebra``: for the
        library of numpy and that of scipy its version and the kernel that it chose
        for this processor.
    """
    import scipy.linalg  # noqa: F401 - loaded, so that its library is among those found

    found = {"system": platform.system(), "processor": platform.machine()}
    with contextlib.suppress(ImportError):
        from threadpoolctl import threadpool_info

        kernels = {
            f"{one['internal_api']} {one['version']} {one.get('architecture', '')}".strip()
            for one in threadpool_info()
            if one["user_api"] == "blas" and one["version"] and _OURS.search(one["filepath"])
        }
        found["linear algebra"] = ", ".join(sorted(kernels))
    return found


def differences(then: dict[str, str], now: dict[str, str]) -> str:
    """Say in which of their parts two machines, or two sets of versions, differ.

    Parameters
    ----------
    then, now : dict of str to str
        Of the record and of this machine.

    Returns
    -------
    str
        Empty if they are equal.

    Examples
    --------
    >>> differences({"numpy": "2.0"}, {"numpy": "2.1"})
    'numpy 2.0 then, 2.1 now'
    """
    return "; ".join(
        f"{name} {then.get(name) or 'unknown'} then, {now.get(name) or 'unknown'} now"
        for name in dict.fromkeys([*then, *now])
        if then.get(name) != now.get(name)
    )
