"""Who may speak to the desk, and what it takes: every request that is not its own is refused."""

import contextlib
import io
import os
import re
import socket
import zipfile
from concurrent.futures import ThreadPoolExecutor

import psutil
import pytest
from small_study import STUDY, write

pytest.importorskip("starlette")


@pytest.fixture(scope="module")
def desk(started, tmp_path_factory):
    home = tmp_path_factory.mktemp("desk")
    write(home / "one study", STUDY)
    (home.parent / "secret.txt").write_text("secret")
    with started(home) as running:
        yield running.enter()


@pytest.fixture(scope="module")
def study(desk):
    return re.search(r"/s/[0-9a-f]{12}/", desk.ask("GET", "/").text)[0]


def test_only_the_link_lets_in_and_only_this_start_s(desk):
    assert desk.ask("GET", "/", cookie="").status == 403
    assert desk.ask("GET", "/", cookie=desk.cookie.partition("=")[0] + "=guess").status == 403
    assert desk.ask("GET", "/?token=guess", cookie="", origin="").status == 403
    assert desk.ask("GET", "/?token=", cookie="", origin="").status == 403
    assert (
        "HttpOnly"
        in desk.ask("GET", desk.link.partition(desk.host)[2], origin="").headers["set-cookie"]
    )
    assert desk.ask("GET", "/").status == 200


@pytest.mark.parametrize("host", ["evil.example", "evil.example:{port}", "127.0.0.1", "0:{port}"])
def test_other_names_of_the_machine_are_not_the_desk(desk, host):
    port = desk.host.rpartition(":")[2]
    assert desk.ask("GET", "/", host=host.format(port=port)).status == 421


@pytest.mark.parametrize(
    "origin",
    ["http://evil.example", "null", "http://127.0.0.1:1", "", "https://{host}", "http://a@{host}"],
)
def test_a_page_in_another_tab_cannot_drive_the_desk(desk, study, origin):
    for path in ("/new", f"{study}run", f"{study}upload/scans?name=a.stl"):
        assert desk.ask("POST", path, b"x", origin=origin.format(host=desk.host)).status == 403


def test_nothing_is_fetched_or_framed_from_elsewhere(desk):
    asked = {"sec_fetch_site": "cross-site", "origin": ""}
    assert desk.ask("GET", "/", **asked, sec_fetch_mode="no-cors").status == 403
    framed = {"sec_fetch_mode": "navigate", "sec_fetch_dest": "iframe"}
    assert desk.ask("GET", "/", **asked, **framed).status == 403
    assert desk.ask("GET", "/", **asked, sec_fetch_mode="navigate").status == 200
    assert desk.ask("GET", "/", origin="http://evil.example").status == 403
    headers = desk.ask("GET", "/").headers
    assert "frame-ancestors 'self'" in headers["content-security-policy"]
    assert "default-src 'none'" in headers["content-security-policy"]
    assert "http" not in headers["content-security-policy"]


def test_a_websocket_is_not_answered(desk):
    key = {"sec_websocket_key": "AAAAAAAAAAAAAAAAAAAAAA==", "sec_websocket_version": "13"}
    answer = desk.ask("GET", "/", connection="upgrade", upgrade="websocket", **key)
    assert answer.status != 101


def test_it_listens_on_this_machine_only(desk):
    port = int(desk.host.rpartition(":")[2])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))
        own = probe.getsockname()[0]
    if own.startswith("127."):
        pytest.skip("the machine has no other address")
    with socket.socket() as caller:
        caller.settimeout(2)
        assert caller.connect_ex((own, port)) != 0


@pytest.mark.parametrize(
    "name",
    ["../secret.txt", "..%2f..%2fsecret.txt", "/etc/passwd", "results/../../../secret.txt",
     "scans.csv", ".accstudy/lock", "results/..%5c..%5csecret.txt", "results/%00.csv"],
)  # fmt: skip
def test_no_path_leads_out_of_the_study(desk, study, name):
    answer = desk.ask("GET", f"{study}file/{name}")
    assert answer.status in (404, 422)
    assert "secret" not in answer.text.replace("secret.txt", "")
    assert desk.ask("GET", f"/s/000000000000/file/{name}").status == 422


def test_an_address_that_there_is_not_is_said_in_words(desk, study):
    for path in ("/nothing", f"{study}nothing", f"{study}sheet"):
        answer = desk.ask("GET", path)
        assert answer.status in (404, 405)
        assert "there is no such screen" in answer.text


def test_only_folders_below_the_user_s_own_are_listed(desk):
    assert "passwd" not in desk.ask("GET", "/browse?at=../../etc").text
    assert desk.ask("POST", "/browse", b"at=../../etc").status == 422


def bomb():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("[Content_Types].xml", "<Types/>")
        book.writestr("xl/workbook.xml", b" " * 120_000_000)
    return out.getvalue()


@pytest.mark.parametrize(
    ("where", "name", "data", "said"),
    [
        ("scans", "report.pdf", b"%PDF-1.7", "not a file that is read here"),
        ("scans", "report.stl", b"%PDF-1.7", "is a PDF"),
        ("scans", "all.zip", b"PK\x03\x04", "unpack the archive"),
        ("scans", "all.stl", b"PK\x03\x04", "an archive"),
        ("scans", "empty.stl", b"", "is empty"),
        ("scans", "con.stl", b"x", "cannot be the name"),
        ("scans", "con%20.stl", b"x", "cannot be the name"),
        ("scans", "lpt%C2%B9.stl", b"x", "cannot be the name"),
        ("scans", "..", b"x", "cannot be the name"),
        ("reference", "table.xlsx", bomb, "larger than|workbook|read"),
        ("reference", "table.xlsx", b"PK\x03\x04rubbish", "workbook"),
        ("body", "body.stl", b"solid nothing", "body.stl|triangle"),
        ("body", "body.stl.gz", b"\x1f\x8brubbish", "gz|read"),
        ("elsewhere", "a.stl", b"x", "not brought here"),
    ],
)  # fmt: skip
def test_bad_files_are_refused_in_words_and_leave_nothing(desk, study, where, name, data, said):
    folder = desk.home / "one study"
    before = sorted(p for p in folder.rglob("*") if ".accstudy" not in p.parts and p.is_file())
    settings = (folder / "study.toml").read_bytes()
    body = data() if callable(data) else data
    answer = desk.ask("POST", f"{study}upload/{where}?name={name}", body, accept="application/json")
    assert answer.status == 422
    assert re.search(said, answer.text)
    after = sorted(p for p in folder.rglob("*") if ".accstudy" not in p.parts and p.is_file())
    assert after == before
    assert (folder / "study.toml").read_bytes() == settings


def test_two_gigabytes_are_refused_before_they_are_sent(desk, study):
    sent = {"content_length": str(2_000_000_000), "accept": "application/json"}
    answer = desk.ask("POST", f"{study}upload/scans?name=a.stl", None, **sent)
    assert answer.status == 422
    assert "2000 MB" in answer.text
    answer = desk.ask("POST", f"{study}sheet", None, content_length="30000000")
    assert answer.status == 413


def raw(desk, method, path, *headers, body=b""):
    """One request as it is written here; nothing is added."""
    host, _, port = desk.host.partition(":")
    own = (f"Host: {desk.host}", f"Cookie: {desk.cookie}", f"Origin: http://{desk.host}", *headers)
    text = "\r\n".join((f"{method} {path} HTTP/1.1", *own, "Connection: close", "", ""))
    with socket.create_connection((host, int(port)), timeout=10) as to:
        with contextlib.suppress(OSError):  # it hangs up before all is sent
            to.sendall(text.encode() + body)
        with contextlib.suppress(ConnectionResetError):
            return to.recv(200)
    return b""


def test_a_form_without_end_is_not_collected(desk, study):
    lie = ("Content-Length: 10", "Transfer-Encoding: chunked")
    piece = b"100000\r\n" + b"x" * 0x100000 + b"\r\n"
    answer = raw(desk, "POST", f"{study}question", *lie, body=30 * piece)
    assert answer.split()[1:2] in ([b"411"], [b"400"], [])
    assert raw(desk, "GET", "/", "Origin: http://evil.example").split()[1] == b"403"


def test_what_is_no_form_is_refused_in_words(desk, study):
    """Nothing that is sent is told as a bug of the program."""
    for path, body in (
        ("question", b"\xff\xfe=1"), ("columns", b"x=1"), ("columns", b"table=zz&header_row=x"),
        ("body?body=../x", b"version="), ("drawing?body=default", b"letter=A&flat=" + b"9" * 30),
        ("models", b"do=add&name=a%00b&response=pair.distance_um"),
        ("models", b"do=margin&name=none&margin=5"), ("exclude", b"scan=s1&reason=%1b%5b31m"),
        ("bench", b"scan=s1&state=made&temperature_c=%00"), ("carried", b"99=default"),
    ):  # fmt: skip
        answer = desk.ask("POST", f"{study}{path}", body)
        assert answer.status in (303, 422), path
        assert "this is a bug" not in answer.text, path


def test_of_two_files_of_one_name_at_once_one_is_taken(desk, study):
    path = f"{study}upload/scans?name=same.stl"
    sent = [b"solid " + bytes([k]) * 300_000 for k in b"ABCD"]

    def bring(data):
        return desk.ask("POST", path, data, accept="application/json").status

    with ThreadPoolExecutor(4) as pool:
        done = list(pool.map(bring, sent))
    assert sorted(done) == [200, 422, 422, 422]
    kept = desk.home / "one study" / "scans" / "same.stl"
    assert kept.read_bytes() == sent[done.index(200)]
    kept.unlink()


def test_a_link_in_the_study_is_not_written_through(desk, tmp_path):
    folder = write(desk.home / "linked", STUDY, study=STUDY["study"].replace("A check", "linked"))
    os.symlink(tmp_path, folder / "scans")
    found = re.search(r"(/s/[0-9a-f]{12}/)[^>]*>linked", desk.ask("GET", "/").text)[1]
    path = f"{found}upload/scans?name=a.stl"
    answer = desk.ask("POST", path, b"solid", accept="application/json")
    assert answer.status == 422
    assert "outside the study" in answer.text
    assert not list(tmp_path.iterdir())


def test_what_a_table_says_is_text_on_every_screen(desk, study):
    file = desk.home / "one study" / "scans.csv"
    before = file.read_bytes()
    file.write_bytes(before + b"<script>alert(1)</script>,M,A,1,1\n")
    try:
        shown = desk.ask("GET", f"{study}scans").text
        assert "<script>alert" not in shown
        assert "&lt;script&gt;alert" in shown
    finally:
        file.write_bytes(before)


def test_the_link_is_told_to_nobody_but_the_user(desk):
    opener = desk.home / "open the desk.html"
    assert opener.stat().st_mode & 0o077 == 0
    assert desk.link in opener.read_text()
    for process in psutil.process_iter(["cmdline"]):
        assert desk.link not in " ".join(process.info["cmdline"] or ())


def test_two_desks_on_one_machine_do_not_shut_each_other_out(desk, started, tmp_path):
    write(tmp_path / "one", STUDY)
    with started(tmp_path) as other:
        other.enter()
        both = f"{desk.cookie}; {other.cookie}"
        assert desk.ask("GET", "/", cookie=both).status == 200
        assert other.ask("GET", "/", cookie=both).status == 200
        assert other.ask("GET", "/", cookie=desk.cookie).status == 403
    assert not (tmp_path / "open the desk.html").exists()


def test_the_room_enters_by_a_pass_phrase_and_sees_the_bench_alone(started, tmp_path):
    write(tmp_path / "one", STUDY)
    with started(tmp_path, "--room") as desk:
        said = [desk.process.stdout.readline() for _ in range(4)]
        assert said[0].startswith("warning: every device in this network")
        phrase = said[2].removeprefix("pass phrase: ").strip()
        assert len(phrase) == 15
        assert desk.ask("GET", "/", origin="").headers["location"] == "/enter"
        assert desk.ask("POST", "/enter", b"passphrase=wrong").status == 403
        answer = desk.ask("POST", "/enter", f"passphrase={phrase}".encode())
        desk.cookie = answer.headers["set-cookie"].partition(";")[0]
        shown = desk.ask("GET", "/").text
        study = re.search(r"/s/[0-9a-f]{12}/", shown)[0]
        assert "New study" not in shown
        assert desk.ask("GET", f"{study}bench").status == 200
        answer = desk.ask("POST", f"{study}bench", b"scan=s1&state=failed&reason=because")
        assert answer.status == 422
        assert "is not to be made" in answer.text
        for path in ("/new", "/browse", f"{study}scans", f"{study}file/study.toml", f"{study}run"):
            assert desk.ask("GET", path).status == 403
        assert desk.ask("POST", f"{study}upload/bench?name=a.stl", b"x").status == 403
        desk.cookie = ""
        for _ in range(5):
            desk.ask("POST", "/enter", b"passphrase=wrong")
        assert desk.ask("POST", "/enter", f"passphrase={phrase}".encode()).status == 403
