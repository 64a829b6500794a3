"""Measuring on a real cluster of two worker processes gives what measuring here gives."""

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time

import pandas as pd
import pytest
from click.testing import CliRunner

from accstudy.cli import main
from accstudy.errors import InputError
from accstudy.mesh.stl_obj import stl_bytes
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import body_shape
from accstudy.simulate.scan import simulate_scan
from accstudy.simulate.studies import write_folder
from accstudy.stages.workers import check_address
from accstudy.tables import csv_bytes

SETTINGS = """\
[study]
title = "Small scans"
kind = "validation"
[scan_body.default]
mesh = "body.stl"
"""
SCANS = 6


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A study of small scans, measured once on this machine."""
    reference = reference_model(3, angulation_deg=10.0, model="M", seed=5)
    body = body_shape("cylinder-flat").drawing(segment_mm=0.3).mesh
    rows = [{"scan": f"s{i}", "model": "M", "file": f"s{i}.stl"} for i in range(SCANS)]
    files = {
        "study.toml": SETTINGS.encode(),
        "scans.csv": csv_bytes("scans", pd.DataFrame(rows)),
        "reference/implants.csv": csv_bytes("implants", reference),
        "body.stl": stl_bytes(body, decimals=6),
    }
    for i in range(SCANS):
        mesh = simulate_scan(reference, n_triangles=12_000, seed=[5, i % 6]).mesh
        files[f"s{i}.stl"] = stl_bytes(mesh)
    folder = write_folder(tmp_path_factory.mktemp("cluster") / "study", files)
    assert call("measure", folder, "--jobs", 1).exit_code == 0
    return folder


def call(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


def results(folder):
    return {
        p.name: p.read_bytes() for p in (folder / "results").iterdir() if p.name != "history.jsonl"
    }


@contextlib.contextmanager
def started(folder, program, *words):
    """A scheduler or worker in a process of its own."""
    with (folder / f"{program}{time.monotonic_ns()}.log").open("w") as log:
        command = [sys.executable, "-m", f"distributed.cli.dask_{program}", *map(str, words)]
        process = subprocess.Popen(
            command, stdout=log, stderr=log, cwd=folder, env=os.environ | {"OMP_NUM_THREADS": "1"}
        )
        try:
            yield process
        finally:
            process.kill()
            process.wait()


def until(true, seconds=60.0):
    end = time.monotonic() + seconds
    while not (found := true()):
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)
    return found


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """A scheduler with two workers; the address, a client that looks on, and the workers."""
    from distributed import Client

    folder = tmp_path_factory.mktemp("dask")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{probe.getsockname()[1]}"
    local = ("--host", "127.0.0.1", "--no-dashboard")
    with contextlib.ExitStack() as opened:
        port = address.rsplit(":", 1)[1]
        opened.enter_context(started(folder, "scheduler", *local, "--port", port))
        alone = ("--nthreads", 1, "--no-nanny", "--local-directory", folder)
        workers = {
            name: opened.enter_context(
                started(folder, "worker", address, *local, *alone, "--name", name)
            )
            for name in ("one", "two")
        }
        onlooker = opened.enter_context(Client(address, timeout=60, set_as_default=False))
        until(lambda: len(onlooker.nthreads()) == 2)
        yield address, onlooker, workers


def busy(onlooker, workers):
    """The process of a worker that is at work on something."""
    known = onlooker.run_on_scheduler(
        lambda dask_scheduler: [w.name for w in dask_scheduler.workers.values() if w.processing]
    )
    return workers[known[0]] if known else None


@pytest.mark.skipif(os.name == "nt", reason="kills a process")
@pytest.mark.slow
def test_a_cluster_that_loses_a_worker_measures_every_scan_to_the_same_bytes(
    study, cluster, tmp_path
):
    address, onlooker, workers = cluster
    fresh = shutil.copytree(study, tmp_path / "study", ignore=shutil.ignore_patterns(".acc*"))
    wanted = results(fresh)
    shutil.rmtree(fresh / "results")
    measured = fresh / ".accstudy" / "measured"
    with subprocess.Popen(
        [sys.executable, "-m", "accstudy", "measure", fresh, "--scheduler", address],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as run:
        until(lambda: list(measured.glob("*.json")) or run.poll() is not None)
        victim = until(lambda: busy(onlooker, workers))
        os.kill(victim.pid, signal.SIGKILL)
        victim.wait()
        assert run.poll() is None, "the run ended before the worker was killed"
        done = len(list(measured.glob("*.json")))
        said, complained = run.communicate(timeout=300)
    assert run.returncode == 0, complained
    assert 1 <= done < SCANS
    assert f"{SCANS} scans measured" in said
    assert "Traceback" not in complained
    assert results(fresh) == wanted


def test_workers_that_do_not_see_the_study_are_told(study, cluster, tmp_path, monkeypatch):
    from accstudy.stages import workers as module

    address, _, _ = cluster
    there = module._here(study)
    for change, told in (
        ({"file": str(tmp_path / "study.toml")}, "does not see the study"),
        ({"digest": "0" * 64}, "does not see the study"),
        ({"program": "0" * 64}, "has another program: accstudy"),
        ({"numpy": "1.0"}, "has numpy"),
    ):
        monkeypatch.setattr(module, "_here", lambda folder, own=there | change: own)
        fresh = tmp_path / told.replace(" ", "") / str(len(change))
        shutil.copytree(
            study, fresh, ignore=shutil.ignore_patterns(".acc*", "results"), dirs_exist_ok=True
        )
        done = call("measure", fresh, "--scheduler", address)
        assert done.exit_code == 1
        assert "error[worker-differs]" in done.output
        assert told in done.output
        assert not (fresh / "results").exists()


ANOTHER = {  # what differs in the program of a worker, and what makes it so
    "a comment": ("stages/measure.py", lambda text: text + "# another\n"),
    "a name of the work": ("stages/workers.py", lambda text: text.replace("_do(", "_done(")),
    "a part of a job": ("stages/measure.py", lambda text: text.replace("landmarks: ", "marks: ")),
    "no such module": ("stages/measure.py", None),
    "no program": ("", None),
}


@pytest.mark.slow
def test_a_worker_with_another_program_is_refused_and_with_the_right_one_the_work_goes_on(
    study, tmp_path
):
    import accstudy

    fresh = shutil.copytree(study, tmp_path / "study", ignore=shutil.ignore_patterns(".acc*"))
    wanted = results(fresh)
    shutil.rmtree(fresh / "results")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    local = ("--host", "127.0.0.1", "--no-dashboard")
    worker = (f"tcp://127.0.0.1:{port}", *local, "--nthreads", 1, "--no-nanny")
    worker += ("--local-directory", tmp_path)

    def measured():
        return subprocess.run(
            [sys.executable, "-m", "accstudy", "measure", fresh, "--scheduler", worker[0]],
            capture_output=True,
            text=True,
            timeout=200,
        )

    with started(tmp_path, "scheduler", *local, "--port", port):
        for name, (file, change) in ANOTHER.items():
            program = tmp_path / name / "accstudy"
            shutil.copytree(os.path.dirname(accstudy.__file__), program)
            if not file:
                shutil.rmtree(program)
                program.mkdir()
                (program / "__init__.py").write_text("")
            elif change is None:
                (program / file).unlink()
            else:
                text = (program / file).read_text()
                assert change(text) != text
                (program / file).write_text(change(text))
            with pytest.MonkeyPatch.context() as patch:
                patch.setenv("PYTHONPATH", str(program.parent))
                with started(tmp_path, "worker", *worker):
                    refused = measured()
            assert refused.returncode == 1, (name, refused.stderr)
            assert "error[worker-differs]" in refused.stderr, (name, refused.stderr)
            assert "the worker at tcp://127.0.0.1:" in refused.stderr, (name, refused.stderr)
            assert "Traceback" not in refused.stderr
            assert not (fresh / "results").exists()
        with started(tmp_path, "worker", *worker):
            done = measured()
    assert done.returncode == 0, done.stderr
    assert results(fresh) == wanted


@pytest.mark.parametrize(
    "address",
    ["localhost:8786", "tcp://", "tcp://a:0", "tcp://a:99999", "http://a:1", "tcp://a b:1", "8786"],
)
def test_an_address_that_is_none_is_a_wrong_call(study, address):
    with pytest.raises(InputError, match="is not the address"):
        check_address(address)
    before = results(study)
    done = call("run", study, "--scheduler", address)
    assert done.exit_code == 2
    assert f'"{address}" is not the address of a scheduler' in done.output
    assert "tcp://HOST:PORT" in done.output
    assert results(study) == before


def changed(study, tmp_path):
    fresh = shutil.copytree(study, tmp_path / "study")
    shutil.rmtree(fresh / ".accstudy")
    return fresh


def test_a_scheduler_that_is_not_there_is_told_at_once(study, tmp_path):
    fresh = changed(study, tmp_path)
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # bound, but nobody listens
        address = f"tcp://127.0.0.1:{nobody.getsockname()[1]}"
        done = call("measure", fresh, "--scheduler", address)
    assert done.exit_code == 1
    assert f"error[scheduler]: no scheduler answers at {address}" in done.output
    assert results(fresh) == results(study)


@pytest.mark.parametrize("greeting", [b"", b"SSH-2.0-other\r\n"])
def test_something_else_that_listens_is_told(study, tmp_path, monkeypatch, greeting):
    fresh = changed(study, tmp_path)
    monkeypatch.setattr("accstudy.stages.workers._CONNECT_S", 0.5)
    with socket.create_server(("127.0.0.1", 0)) as other:

        def greet():
            link, _ = other.accept()
            with link, contextlib.suppress(ConnectionError):
                link.sendall(greeting)
                link.recv(100)

        answering = threading.Thread(target=greet)
        answering.start()
        address = f"tcp://127.0.0.1:{other.getsockname()[1]}"
        done = call("measure", fresh, "--scheduler", address)
        answering.join()
    assert done.exit_code == 1
    assert f"no scheduler answers at {address}" in done.output
    assert results(fresh) == results(study)


def test_without_the_extra_the_way_to_it_is_told(study, tmp_path, monkeypatch):
    fresh = changed(study, tmp_path)
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = call("measure", fresh, "--scheduler", "tcp://127.0.0.1:8786")
    assert done.exit_code == 1
    assert 'pip install "accstudy[cluster]"' in done.output


def test_without_the_option_nothing_of_it_is_loaded(study):
    code = (
        "import sys; from accstudy.cli import main\n"
        "try:\n    main()\nfinally:\n    print([m for m in ('dask', 'distributed', 'tornado') "
        "if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "check", study, "--jobs", "1"], capture_output=True, text=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_copy_of_a_scan_is_kept_by_its_own_name_and_never_taken_for_the_other(study, tmp_path):
    """Scans s0 and s6 are the same file under two names."""
    again = shutil.copytree(study, tmp_path / "study")
    done = call("measure", again, "--jobs", 1)
    assert done.exit_code == 0, done.output
    assert f"0 scans measured, {SCANS} up to date" in done.output
    assert results(again) == results(study)


def certificates(folder):
    """A certificate that signs itself, for all of a cluster, and Dask's settings that use it."""
    key, certificate = folder / "key.pem", folder / "cert.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj",
         "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1",
         "-keyout", str(key), "-out", str(certificate)],
        check=True, capture_output=True,
    )  # fmt: skip
    settings = {"DASK_DISTRIBUTED__COMM__TLS__CA_FILE": str(certificate)}
    for role in ("CLIENT", "SCHEDULER", "WORKER"):
        settings[f"DASK_DISTRIBUTED__COMM__TLS__{role}__CERT"] = str(certificate)
        settings[f"DASK_DISTRIBUTED__COMM__TLS__{role}__KEY"] = str(key)
    return settings


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("openssl") is None, reason="makes certificates with openssl")
def test_with_certificates_the_results_are_the_same_and_without_them_nothing_hangs(study, tmp_path):
    settings = certificates(tmp_path)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"tls://127.0.0.1:{port}"
    other = shutil.copytree(
        study, tmp_path / "study", ignore=shutil.ignore_patterns(".accstudy", "results")
    )
    command = [sys.executable, "-m", "accstudy", "measure", str(other), "--scheduler", address]

    def called(more):
        return subprocess.run(
            command, env=os.environ | more, text=True, capture_output=True, timeout=200
        )

    with pytest.MonkeyPatch.context() as patch, contextlib.ExitStack() as opened:
        for name, value in settings.items():
            patch.setenv(name, value)
        local = ("--host", "127.0.0.1", "--protocol", "tls", "--no-dashboard")
        opened.enter_context(started(tmp_path, "scheduler", *local, "--port", port))
        alone = ("--nthreads", 1, "--no-nanny", "--local-directory", tmp_path)
        opened.enter_context(started(tmp_path, "worker", address, *local, *alone))

        def answers():
            with socket.socket() as probe:
                return probe.connect_ex(("127.0.0.1", port)) == 0

        until(answers)
        done = called(settings)
        assert done.returncode == 0, done.stderr
        for name in settings:
            patch.delenv(name)
        shutil.rmtree(other / ".accstudy")
        refused = called({})
    assert refused.returncode == 1, refused.stderr
    assert "name no certificates" in refused.stderr
    assert "Traceback" not in refused.stderr
    here, there = results(study), results(other)
    assert {n: b for n, b in here.items() if n.endswith(".csv")} == {
        n: b for n, b in there.items() if n.endswith(".csv")
    }
