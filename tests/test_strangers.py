"""Files and links in a study that are not this program's: nothing of them is lost or followed."""

import os
import random
import shutil

import pytest
from click.testing import CliRunner

import accstudy.stages.report
import accstudy.stages.steps
from accstudy.cli import main
from accstudy.study.files import write_files

STUDY = '[study]\ntitle = "Positions"\nkind = "validation"\n[scans]\nposes = "poses.csv"\n'
IMPLANTS = (
    "model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    "M,I1,0,0,0,0,0,1\nM,I2,20,5,0,0,0,1\nM,I3,40,0,0,0,0,1\n"
)
SCANS = "scan,model,device\n" + "".join(f"s{i},M,A\n" for i in range(4))
POSES = "scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n" + "".join(
    f"s{i},M,{name},{x + 0.003 * i * (k + 1) % 0.02},{y},0,0,0,1\n"
    for i in range(4)
    for k, (name, x, y) in enumerate([("I1", 0, 0), ("I2", 20, 5), ("I3", 40, 0)])
)


def call(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


def write(folder):
    for name, text in {
        "study.toml": STUDY,
        "scans.csv": SCANS,
        "poses.csv": POSES,
        "reference/implants.csv": IMPLANTS,
    }.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    return folder


@pytest.fixture(scope="module", autouse=True)
def quick():
    """Compute the tables once; in place of the report some bytes: only files matter here."""
    known = {}
    compute = accstudy.stages.steps.compute

    def tables(step, study, given):
        if step.name not in known:
            known[step.name] = compute(step, study, given)
        return known[step.name]

    def report(study, tables, record, options, **_):
        names = ["validation.pdf", *(["figures/a.svg", "figures/a.png"] if options.figures else [])]
        return {name: repr((record, options)).encode() for name in names}

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(accstudy.stages.steps, "compute", tables)
        patch.setattr(accstudy.stages.report, "make_report", report)
        yield


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A study that was run to the end, figures included."""
    folder = write(tmp_path_factory.mktemp("strangers") / "study")
    assert call("run", folder, "--figures").exit_code == 0
    return folder


@pytest.fixture
def study(finished, tmp_path):
    return shutil.copytree(finished, tmp_path / "study")


def everything(folder):
    """Bytes of every file, where every link leads, and the empty folders."""
    out = {}
    for top, folders, files in os.walk(folder):
        for name in (*files, *folders):
            path = os.path.join(top, name)
            if os.path.islink(path):
                out[path] = os.readlink(path)
            elif os.path.isfile(path):
                with open(path, "rb") as stream:
                    out[path] = stream.read()
    return out


PLANTED = (
    "results.old/mine.txt",
    "results.new/mine.txt",
    "reports.old/mine.txt",
    "reports.new/mine.txt",
    "results/events.csv",
    "results/implants.csv",
    "results/scans.csv",
    "results/.complete",
    "results/inside/mine.txt",
    "reports/letter.docx",
    "reports/figures/mine.svg",
    ".accstudy/mine.txt",
    ".accstudy/measured/mine.json",
)


@pytest.mark.parametrize("ends", ["well", "with 3"])
def test_what_the_user_put_beside_and_into_the_tools_folders_stays(study, ends):
    for name in PLANTED:
        (study / name).parent.mkdir(parents=True, exist_ok=True)
        (study / name).write_text(f"mine, {name}")
    if ends == "well":
        (study / "poses.csv").write_text(POSES.replace("40.00", "40.01"))
    else:
        (study / "poses.csv").write_text("scan\n")
    before = everything(study)
    assert call("run", study, "--figures").exit_code == (0 if ends == "well" else 3)
    for name in PLANTED:
        assert (study / name).read_text() == f"mine, {name}"
    if ends == "with 3":
        assert {p: b for p, b in everything(study).items() if "/lock" not in p} == {
            p: b for p, b in before.items() if "/lock" not in p
        }


@pytest.mark.parametrize(
    "name", ["results/accuracy.csv", "results/poses.csv", "reports/validation.pdf"]
)
def test_a_file_of_the_users_in_the_place_of_a_result_is_an_error_that_names_it(tmp_path, name):
    study = write(tmp_path / "study")
    (study / name).parent.mkdir()
    (study / name).write_text("mine")
    done = call("run", study)
    assert done.exit_code == 3
    assert (study / name).name in done.output
    assert "move yours elsewhere" in done.output
    assert (study / name).read_text() == "mine"
    (study / name).rename(tmp_path / "moved")
    assert call("measure", study).exit_code == 0


@pytest.mark.parametrize("folder", ["results", "reports"])
@pytest.mark.parametrize("kind", ["link", "link to nothing", "file"])
def test_a_link_or_file_in_the_place_of_a_folder_is_named_and_stays(study, tmp_path, folder, kind):
    there, goal = study / folder, tmp_path / "elsewhere"
    shutil.rmtree(there)
    if kind == "link":
        goal.mkdir()
        (goal / "mine.txt").write_text("mine")
    if kind == "file":
        there.write_text("mine")
    else:
        there.symlink_to(goal)
    before = everything(tmp_path)
    for _ in range(2):  # the second run says the same as the first
        done = call("run", study)
        assert done.exit_code == 3
        assert f'"{folder}" is a {kind.split()[0]}, not a folder' in done.output
        assert {p: b for p, b in everything(tmp_path).items() if "/lock" not in p} == {
            p: b for p, b in before.items() if "/lock" not in p
        }
    there.unlink()
    if folder == "results":  # and with it the record, which said that the reports are the tool's
        assert call("run", study).exit_code == 3
        shutil.rmtree(study / "reports")
    assert call("run", study).exit_code == 0


@pytest.mark.parametrize(
    "name",
    [
        ".accstudy",
        ".accstudy/lock",
        ".accstudy/measured",
        ".results.accstudy-new",
        ".results.accstudy-old",
        ".reports.accstudy-new",
        ".reports.accstudy-old",
    ],
)
@pytest.mark.parametrize("missing", [False, True])
def test_links_of_a_study_from_elsewhere_are_not_followed(study, tmp_path, name, missing):
    outside = tmp_path / "outside"
    (outside / "measured").mkdir(parents=True)
    for inside in ("mine.txt", "lock", ".accstudy-complete", "measured/" + "0" * 64 + ".json"):
        (outside / inside).write_text("mine")
    there = study / name
    shutil.rmtree(there) if there.is_dir() else there.unlink(missing_ok=True)
    there.parent.mkdir(exist_ok=True)
    there.symlink_to(
        outside / ("lock" if name.endswith("lock") else "") if not missing else outside / "new"
    )
    if "results" in name:
        shutil.rmtree(study / "results")
    before = everything(outside)
    done = call("run", study)
    assert done.exit_code == 3, done.output
    assert "link" in done.output
    assert everything(outside) == before
    assert not (study / "results").is_symlink()


@pytest.mark.parametrize("seed", range(6))
def test_files_planted_anywhere_are_the_same_after_any_command(study, tmp_path, seed):
    """Whatever the program did not write, by the record before the run, is the same after it."""
    rng = random.Random(seed)
    own = [p.relative_to(study) for p in study.rglob("*") if p.is_file()]
    folders = sorted({p.relative_to(study) for p in study.rglob("*") if p.is_dir()})
    names = [p.name for p in own] + ["model_terms.csv", "notes", "tmp.new", "validation.pdf.old"]
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "mine").write_text("mine")
    planted = {}
    for k in range(30):
        place = study / rng.choice([*folders, folders[0] / f"deep{k}"]) / rng.choice(names)
        if os.path.lexists(place) or place.parent.name in ("accstudy-new",):
            continue
        place.parent.mkdir(exist_ok=True)
        if rng.random() < 0.3:
            place.symlink_to(outside / rng.choice(["mine", "nothing"]))
        else:
            place.write_text(f"mine {k}")
        planted[place] = place.is_symlink()
    before = everything(tmp_path)
    if seed % 2:
        (study / "poses.csv").write_text(POSES.replace("40.00", "40.02"))
    command = rng.choice(["check", "measure", "analyze", "run", "audit"])
    done = call(command, study)
    assert done.exit_code in (0, 3), done.output
    assert "bug" not in done.output
    after = everything(tmp_path)
    for place in planted:
        assert after.get(str(place)) == before[str(place)], (command, place)
    assert after[str(outside / "mine")] == b"mine"
    assert len([p for p in after if p.startswith(str(outside))]) == 1


def test_a_file_is_not_written_through_a_link(tmp_path):
    (tmp_path / "goal").write_text("mine")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "a.csv").symlink_to(tmp_path / "goal")
    write_files(tmp_path / "out", {"a.csv": b"new"})
    assert (tmp_path / "goal").read_text() == "mine"
    assert (tmp_path / "out" / "a.csv").read_bytes() == b"new"
