"""Whatever stands in a study's files, the answer is a study or a StudyError."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_study import write

from accstudy.errors import StudyError
from accstudy.study.load import load_study

FILES = {
    "study.toml": '[study]\ntitle = "A"\nkind = "drift"\n[scans]\nposes = "poses.csv"\n'
    'landmarks = "landmarks.csv"\n[drift]\nevents = "events.csv"\n'
    '[limits]\ndistance_um = { value = 100, source = "x" }\n[[model]]\nname = "m"\n'
    'response = "pair.distance_um"\n',
    "scans.csv": "scan,model,device,session,measured_at,status\n"
    "s1,M,A,1,2026-01-01,\ns2,M,A,2,2026-02-01T10:00,failed\n",
    "reference/implants.csv": "model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,"
    "flat_x,flat_y,flat_z\n"
    "M,I1,0,0,0,0,0,1,1,0,0\nM,I2,20,5,0,0,0,1,,,\n",
    "poses.csv": "scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,status\n"
    "s1,M,I1,0,0,0,0,0,1,ok\ns1,M,I2,20.01,5,0,0,0,1,\n",
    "landmarks.csv": "scan,implant,x_mm,y_mm,z_mm\ns1,I1,0,0,0\n",
    "events.csv": "at,device,kind,note,new_baseline\n2026-01-15,A,service,none,true\n",
}

# pieces that break readers: separators, quotes, signs, odd numbers, other scripts, controls
PIECES = st.sampled_from(
    [",", ";", "\t", '"', "'", "\n", "\r", "\0", "=", "-", "+", "e", ".", "1e400", "nan", "inf",
     "-0", "1,5", "1.234,5", "[", "]", "{", "}", "#", "\ufeff", "ä", "漢", "\u202e", "..", "/",
     "\\", "true", "false", "[[", "]]", "2026-13-40", " ", "s1", "M", "I1", "A ", "a"]
)  # fmt: skip


@st.composite
def mutated(draw):
    """One file of a sound study, with pieces put in, cut out or doubled."""
    name = draw(st.sampled_from(list(FILES)))
    text = FILES[name]
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(text)))
        cut = draw(st.integers(0, 12))
        text = text[:at] + draw(PIECES) * draw(st.integers(0, 2)) + text[at + cut :]
    return name, text.encode("utf-8", "replace")


def answers(name, data):
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        write(root, FILES, **{name: data})
        faults = ()
        try:
            load_study(root)
        except StudyError as error:
            faults, text = error.findings, str(error)
        if faults:
            assert all(f.what and f.code for f in faults)
            assert text.startswith("error[")


FEW = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])


@settings(FEW, max_examples=60)
@given(mutated())
def test_mutated_files_give_a_study_or_named_faults(case):
    answers(*case)


@settings(FEW, max_examples=24)
@given(st.sampled_from(list(FILES)), st.binary(max_size=300))
def test_random_bytes_give_a_study_or_named_faults(name, data):
    answers(name, data)


@pytest.mark.slow
@settings(FEW, max_examples=1000)
@given(mutated())
def test_many_mutated_files_give_a_study_or_named_faults(case):
    answers(*case)
