"""`camlog serve` as it is typed: where the page is, what is said, mistakes in one line, and a clean end."""

import os
import re
import select
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request

import pytest

from camlog.cli import main
from camlog.cli.serve import port_number
from camlog.errors import InputError
from camlog.serve import addresses
from camlog.serve.addresses import DEFAULT_PORT, listen, own_addresses, reached_at, web_address
from tests.serve_help import outside_address


def typed(capsys, *words):
    """Status, standard output and standard error of a command that is refused."""
    with pytest.raises(SystemExit) as ended:
        main([str(w) for w in words])
    out, err = capsys.readouterr()
    return ended.value.code, out, err


class Started:
    """`camlog serve` in a process of its own."""

    def __init__(self, *words, cwd):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "camlog", "serve", *map(str, words)], cwd=cwd, stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        self.said = ""

    def until(self, words, within_s=30.0):
        """What was said, once it holds these words."""
        ended = time.monotonic() + within_s
        while words not in self.said:
            left = ended - time.monotonic()
            if left <= 0 or not select.select([self.process.stdout], [], [], left)[0]:
                pytest.fail(f"{words!r} was not said: {self.said}")
            part = os.read(self.process.stdout.fileno(), 65536).decode()
            if not part:
                pytest.fail(f"it ended: {self.said}")
            self.said += part
        return self.said

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.process.poll() is None:
            self.process.kill()
        self.process.stdout.close()
        self.process.wait()

    def end(self, number):
        self.process.send_signal(number)
        rest, _ = self.process.communicate(timeout=30)
        self.said += rest.decode()
        return self.process.returncode


# ---- mistakes


@pytest.mark.parametrize(
    "words, says",
    [
        (["--port", "/dev/ttyUSB0"], "--adapter /dev/ttyUSB0"),
        (["--port", "COM5"], "--adapter COM5"),
        (["--port", "socket://192.168.0.10:35000"], "--adapter socket://192.168.0.10:35000"),
        (["--port", "0"], "no network port"),
        (["--port", "65536"], "no network port"),
        (["--port", "-1"], "no network port"),
        (["--port", "many"], "no network port"),
        (["--host", "my laptop"], "no address"),
        (["--host", "elsewhere.example"], "no address"),
        (["--host", "203.0.113.77"], "has no address 203.0.113.77"),  # RFC 5737: documentation only
        (["--host", "fe80::1%eth0"], "no address"),
        (["--host", "224.0.0.1"], "of no computer"),
        (["--vehicle", "missing.toml"], "missing.toml"),
        (["no/such/folder"], "no/such/folder"),
    ],
)
def test_a_mistake_is_one_line_that_says_what_to_do_and_status_2(capsys, tmp_path, monkeypatch, words, says):
    monkeypatch.chdir(tmp_path)
    status, out, err = typed(capsys, "serve", *words)
    assert status == 2 and not out and err.count("\n") == 1
    assert err.startswith("camlog: ") and says in err
    assert not list(tmp_path.iterdir())


def test_the_pages_port_is_a_number():
    assert port_number(None) is None and port_number("9000") == 9000
    for text in ("", " 9000", "9e3", "٩٠٠٠"):
        with pytest.raises(InputError):
            port_number(text)


# ---- where it listens


def test_a_port_that_was_given_and_is_taken_is_said(capsys, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        status, _, err = typed(capsys, "serve", tmp_path, "--port", port)
    assert status == 2 and f"port {port} is taken" in err and "leave --port out" in err


def test_where_none_was_given_the_next_free_port_is_taken(monkeypatch):
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        monkeypatch.setattr(addresses, "DEFAULT_PORT", port)
        sockets, got = listen("127.0.0.1", None)
        sockets[0].close()
        assert port < got < port + 20
        monkeypatch.setattr(addresses, "_NEXT_PORTS", 1)
        with pytest.raises(InputError, match="taken.*--port"):
            listen("127.0.0.1", None)


def where(sockets):
    found = [one.getsockname()[0] for one in sockets]
    for one in sockets:
        one.close()
    return found


def test_it_listens_at_loopback_alone_unless_told():
    assert where(listen("127.0.0.1", 0)[0]) == ["127.0.0.1"]
    assert where(listen(reached_at("localhost"), 0)[0]) == ["127.0.0.1"]
    if socket.has_ipv6:
        assert where(listen(reached_at("[::1]"), 0)[0]) == ["::1"]


def test_told_of_an_address_it_listens_there_and_at_loopback_at_one_port():
    address = outside_address()
    if address is None:
        pytest.skip("this computer is in no network")
    sockets, port = listen(address, 0)
    assert {one.getsockname()[1] for one in sockets} == {port}
    assert where(sockets) == [address, "127.0.0.1"]
    assert where(listen("0.0.0.0", 0)[0]) == ["0.0.0.0"]


def test_addresses_as_a_browser_takes_them():
    assert web_address("127.0.0.1", 8462) == "http://127.0.0.1:8462/"
    assert web_address("fd00::2", 8462) == "http://[fd00::2]:8462/"  # RFC 3986 section 3.2.2
    assert web_address("192.168.0.2", 80) == "http://192.168.0.2/"
    assert not any(a.startswith("127.") for a in own_addresses())


# ---- the command, whole


def test_it_says_where_the_page_is_serves_it_and_ends_cleanly_on_ctrl_c(tmp_path):
    with Started(tmp_path, cwd=tmp_path) as server:
        said = server.until("in a browser")
        url = re.search(r"http://127\.0\.0\.1:\d+/", said)[0]
        assert "airing" not in said and "network" not in said
        with urllib.request.urlopen(url, timeout=10) as page:
            assert page.status == 200 and b"camlog" in page.read()
        address = outside_address()
        if address is not None:
            with pytest.raises(OSError):  # loopback only
                socket.create_connection((address, int(re.search(r":(\d+)/", url)[1])), timeout=2)
        assert server.end(signal.SIGINT) == 0
    assert "Ending ..." in server.said and server.said.rstrip().endswith("Ended.")
    assert "Traceback" not in server.said


def test_for_other_devices_it_says_the_address_the_code_and_who_sees_what_and_ends_on_a_termination_signal(
    tmp_path,
):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with Started("--host", "0.0.0.0", "--port", port, cwd=tmp_path) as server:
        said = server.until("not encrypted")
        assert f"http://127.0.0.1:{port}/" in said and re.search(r"Pairing code: \d{4} \d{4}\b", said)
        assert "who has the code sees the drive, and can start and stop recordings" in said
        address = outside_address()
        if address is not None:
            assert f"http://{address}:{port}/" in said
            with pytest.raises(urllib.error.HTTPError) as refused:
                urllib.request.urlopen(f"http://{address}:{port}/", timeout=10)
            assert refused.value.code == 401
        assert server.end(signal.SIGTERM) == 0
    assert "Ended." in server.said and "Traceback" not in server.said


def test_help_of_the_program_loads_nothing_of_the_page():
    slow = ("dash", "flask", "h11", "plotly", "pandas", "scipy", "camlog.serve")
    code = (
        "import sys\nfrom camlog.cli import main\n"
        "try:\n main(['serve', '--help'])\nexcept SystemExit:\n pass\n"
        f"print([m for m in {slow!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0 and done.stdout.strip().splitlines()[-1].strip() == "[]", done.stdout + done.stderr
    assert str(DEFAULT_PORT) in done.stdout
