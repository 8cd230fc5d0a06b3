"""Time stamps against an authority made by openssl for the test, served over real HTTP on loopback."""

from __future__ import annotations

import shutil
import subprocess
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from adapters.errors import ConfigError, SourceLost
from logger.documents.claim_files import write_manifest, write_zip
from logger.documents.claim_verify import verify_claim
from logger.documents.timestamp import check_stamp, stamp, stamped_time

pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="needs openssl")

CONFIG = """
[ tsa ]
default_tsa = here
[ here ]
dir = .
serial = serial
signer_cert = tsa.pem
certs = ca.pem
signer_key = tsa.key
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
accuracy = secs:1
[ ext ]
extendedKeyUsage = critical,timeStamping
"""


def openssl(folder: Path, *arguments: str) -> None:
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    folder = tmp_path_factory.mktemp("tsa")
    (folder / "tsa.cnf").write_text(CONFIG)
    (folder / "serial").write_text("01\n")
    new = ("req", "-newkey", "rsa:2048", "-nodes")
    openssl(folder, *new, "-x509", "-days", "2", "-subj", "/CN=root", "-keyout", "ca.key", "-out", "ca.pem")
    openssl(folder, *new, "-subj", "/CN=stamper", "-keyout", "tsa.key", "-out", "tsa.csr")
    openssl(
        folder, "x509", "-req", "-in", "tsa.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
        "-days", "2", "-extfile", "tsa.cnf", "-extensions", "ext", "-out", "tsa.pem",
    )  # fmt: skip

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            assert self.headers["Content-Type"] == "application/timestamp-query"
            (folder / "q.tsq").write_bytes(self.rfile.read(int(self.headers["Content-Length"])))
            openssl(folder, "ts", "-reply", "-config", "tsa.cnf", "-queryfile", "q.tsq", "-out", "r.tsr")
            body = b"garbage" if self.path == "/broken" else (folder / "r.tsr").read_bytes()
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}", folder / "ca.pem"
    server.shutdown()
    thread.join()
    server.server_close()


def test_a_stamp_holds_for_the_file_and_for_no_other(authority: tuple[str, Path], tmp_path: Path) -> None:
    address, trusted = authority
    file = tmp_path / "list"
    file.write_bytes(b"abc")
    _, answer = stamp(file, address)
    assert check_stamp(file, answer, trusted) is None
    assert "GMT" in stamped_time(answer)
    file.write_bytes(b"abd")
    assert check_stamp(file, answer, trusted) is not None


def test_a_claim_with_a_stamp_is_checked_against_the_authority(
    authority: tuple[str, Path], tmp_path: Path
) -> None:
    address, trusted = authority
    folder = tmp_path / "claim-B-2026-01-14"
    (folder / "record").mkdir(parents=True)
    (folder / "record" / "chain.jsonl").write_text("")
    stamp(write_manifest(folder), address)
    archive = write_zip(folder)
    assert "not checked" in verify_claim(archive).stamped
    checked = verify_claim(archive, trusted)
    assert checked.ok
    assert checked.stamped.endswith("GMT")
    other = tmp_path / "other.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=x", "-keyout", "/dev/null",
         "-out", other],
        check=True, capture_output=True,
    )  # fmt: skip
    assert "does not hold" in verify_claim(archive, other).faults[0]


def test_no_authority_and_no_answer_are_told(authority: tuple[str, Path], tmp_path: Path) -> None:
    file = tmp_path / "list"
    file.write_bytes(b"abc")
    with pytest.raises(ConfigError, match="not the address"):
        stamp(file, "ftp://somewhere")
    with pytest.raises(SourceLost, match="gave no time stamp"):
        stamp(file, "http://127.0.0.1:9/")
    with pytest.raises(ConfigError, match="openssl"):
        stamp(file, authority[0] + "/broken")
