"""Invented rows of a bench sheet and of a selftest."""

import pandas as pd

from accstudy.tables import shape


def sheet(n=70):
    return shape(
        "bench_sheet",
        pd.DataFrame(
            {
                "order": range(1, n + 1),
                "session": ["1"] * (n // 2) + ["2"] * (n - n // 2),
                "operator": "operator 1",
                "scan": [f"p{i:03d}" for i in range(1, n + 1)],
                "model": "M1",
                "condition": ["technique 1", "technique 2"] * (n // 2),
                "body_seating": "take off, seat anew",
            }
        ),
    )


def rows(agrees):
    return pd.DataFrame(
        {
            "topic": "iso5725",
            "case": ["example 1", "example 1", "example 2"],
            "quantity": ["s_r", "s_R", "m"],
            "source": "a standard, table 7",
            "published": ["0.10", "0.12", "4.1"],
            "here": ["0.1004", "0.1213", "4.13"],
            "tolerance": ["0.005", "0.005", "0.05"],
            "kind": "printed",
            "from_memory": [True, False, False],
            "digits": [2.4, 1.9, None],
            "agrees": agrees,
        }
    )
