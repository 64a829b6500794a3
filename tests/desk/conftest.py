"""A desk that runs, a browser beside it, and files as scanners and CMMs write them."""

import contextlib
import http.client
import os
import re
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest
from chromium import chromium
from stl_files import stl_bytes

from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import body_shape
from accstudy.simulate.scan import simulate_scan

QUIET = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


class Desk:
    """A desk in a process of its own."""

    def __init__(self, home, *words):
        self.home = home
        self.began = time.monotonic()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "accstudy", "desk", str(home), "--no-browser", *words],
            stdout=subprocess.PIPE, text=True, env=os.environ | QUIET,
        )  # fmt: skip
        self.link = self.process.stdout.readline().removeprefix("desk: ").strip()
        self.host = re.search(r"//([^/]+)", self.link)[1]
        self.cookie = ""

    def ask(self, method, path, body=None, **headers):
        """One request with exactly these headers and the cookie; an empty one is left out."""
        known = {"host": self.host, "origin": f"http://{self.host}", "cookie": self.cookie}
        known |= {k.replace("_", "-"): v for k, v in headers.items()}
        known = {k: v for k, v in known.items() if v}
        connection = http.client.HTTPConnection(self.host, timeout=30)
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in known.items():
            connection.putheader(name, value)
        if body is not None:
            connection.putheader("content-length", str(len(body)))
        connection.endheaders(body)
        answer = connection.getresponse()
        answer.text = answer.read().decode("utf-8", "replace")
        connection.close()
        return answer

    def enter(self):
        """Follow the start link."""
        answer = self.ask("GET", self.link.partition(self.host)[2], origin="")
        self.cookie = answer.headers["set-cookie"].partition(";")[0]
        return self

    def end(self):
        """End it as Ctrl-C does."""
        self.process.terminate()
        self.process.wait(20)
        self.process.stdout.close()


@pytest.fixture(scope="session")
def started():
    """Start a desk on a folder; it ends with the block."""

    @contextlib.contextmanager
    def start(home, *words):
        desk = Desk(home, *words)
        try:
            yield desk
        finally:
            desk.end()

    return start


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    with chromium(tmp_path_factory.mktemp("profile"), webgl=False) as running:
        yield running


@pytest.fixture(scope="session")
def export(tmp_path_factory):
    """What a clinic has: report of the machine, drawing of the body, four scans."""
    folder = tmp_path_factory.mktemp("Export Praxis Süd")
    model = reference_model(4, seed=4)
    report = model.assign(Element=model["implant"].str.replace("I", "Implantat "))
    names = {"Element": "Element", "x_mm": "X [mm]", "y_mm": "Y [mm]", "z_mm": "Z [mm]",
             "axis_x": "I", "axis_y": "J", "axis_z": "K"}  # fmt: skip
    rows = report[list(names)].rename(columns=names)
    table = rows.to_csv(index=False, sep=";", decimal=",", float_format="%.6f")
    text = f"Messbericht 104;Maschine 2\nDatum;31.01.2026\n\n{table}"
    (folder / "Messbericht 104 (Kopie).csv").write_bytes(text.encode("cp1252"))
    body = body_shape("cylinder-flat").drawing(segment_mm=0.3).mesh
    (folder / "Scankörper v2.stl").write_bytes(stl_bytes(body.vertices_mm, body.faces))
    mesh = simulate_scan(model, n_triangles=16_000, scan="s", seed=1).mesh
    rng = np.random.default_rng(7)
    moment = pd.Timestamp("2026-02-02 09:00").timestamp()
    for k in range(4):
        moved = mesh.vertices_mm * (1 + 1e-4 * rng.standard_normal())
        file = folder / f"op{1 + k // 2} Scan {1 + k % 2} – Müller.stl"
        file.write_bytes(stl_bytes(moved + rng.normal(0, 0.003, moved.shape), mesh.faces))
        os.utime(file, (moment + 600 * k, moment + 600 * k))
    return folder
