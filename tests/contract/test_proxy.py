"""Does the service work behind nginx as deploy/proxy/nginx.conf sets it up?

nginx itself, where it is installed, with our file and only what its first lines say is to fit. The
clients come from other addresses of this machine, so that it can be told who is limited and logged.
"""

from __future__ import annotations

import json
import shutil
import socket
import ssl
import subprocess
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from service.commands._connections import BoundedProtocol
from service.store.engine import Database
from tests.access.integrators import Integrator, asking
from tests.factories.certificates import certified
from tests.factories.clinical import patient
from tests.live import ROOT, free_port, running_service
from tests.rest import exporting

NGINX = shutil.which("nginx", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")

pytestmark = pytest.mark.skipif(NGINX is None, reason="nginx is not installed")


@dataclass
class Behind:
    """The service behind the proxy: `base` for clients, `direct` past the proxy."""

    base: str
    direct: str
    folder: Path
    system: Integrator
    tls: ssl.SSLContext

    def client(self, address: str = "127.0.0.2", base: str = "", **headers: str) -> httpx.Client:
        """Somebody at an address of this machine."""
        transport = httpx.HTTPTransport(verify=self.tls, local_address=address)
        at = f"{base or self.base}/fhir"
        return httpx.Client(base_url=at, transport=transport, headers=headers, timeout=60)

    def ask(self, http: httpx.Client, **claims: str) -> httpx.Response:
        """For a token."""
        endpoint = f"{self.base}/access/token"
        assertion = self.system.assertion(time.time(), **{"aud": endpoint, **claims})
        return http.post(
            str(http.base_url).removesuffix("/fhir/") + "/access/token",
            data=asking(assertion, "system/*.cruds"),
        )

    def admitted(self, address: str = "127.0.0.2") -> httpx.Client:
        """The same with a token."""
        with self.client(address) as http:
            token = self.ask(http).raise_for_status().json()["access_token"]
        return self.client(address, Authorization=f"Bearer {token}")


@pytest.fixture(scope="module")
def behind(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Behind]:
    folder = tmp_path_factory.mktemp("proxy")
    certificate, key = certified(folder)
    port, inner = free_port(), free_port()
    url = f"sqlite:///{folder / 'store.sqlite3'}"
    system = Integrator()
    base = f"https://localhost:{port}"
    with running_service(
        url,
        access="smart",
        port=inner,
        env={"HYOID_BASE_URL": f"{base}/fhir", "HYOID_EXPORT_FILE_SIZE": "40"},
    ) as direct:
        database = Database(url)
        system.registered(database)
        database.close()
        config = _fitted(folder, port, inner, certificate, key)
        with _nginx(config, port):
            tls = ssl.create_default_context(cafile=str(certificate))
            yield Behind(base, direct, folder, system, tls)


def _fitted(folder: Path, port: int, inner: int, certificate: Path, key: Path) -> Path:
    text = (ROOT / "deploy/proxy/nginx.conf").read_text()
    for there, here in (
        ("listen 443 ssl;", f"listen 127.0.0.1:{port} ssl;"),
        ("listen [::]:443 ssl;", ""),
        ("server_name clinic.example;", "server_name localhost;"),
        ("/etc/ssl/certs/clinic.example.pem", str(certificate)),
        ("/etc/ssl/private/clinic.example.key", str(key)),
        ("server 127.0.0.1:8000;", f"server 127.0.0.1:{inner};"),
        ("/var/log/nginx/hyoid.log", str(folder / "error.log")),
    ):
        assert text.count(there) == 1, there
        text = text.replace(there, here)
    # All that nginx would have from the system lies in the folder.
    temporary = "".join(
        f"{kind}_temp_path {folder / kind};\n"
        for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    own = f"daemon off;\npid {folder / 'pid'};\nerror_log stderr;\nevents {{}}\n"
    config = folder / "nginx.conf"
    config.write_text(f"{own}http {{\n{temporary}{text}}}\n")
    return config


@contextmanager
def _nginx(config: Path, port: int) -> Iterator[None]:
    """nginx, as long as it is needed."""
    assert NGINX
    command = [NGINX, "-p", str(config.parent), "-c", str(config)]
    checked = subprocess.run([*command, "-t"], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stderr
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        end = time.monotonic() + 20
        while not _listens(port):
            assert time.monotonic() < end, "nginx does not listen"
            time.sleep(0.05)
        yield
    finally:
        process.terminate()
        process.wait(20)


def _listens(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port)).close()
    except OSError:
        return False
    return True


def test_addresses_are_those_of_the_proxy_and_headers_come_once(behind: Behind) -> None:
    with behind.admitted() as http:
        made = http.post("Patient", json=patient()).raise_for_status()
        assert made.headers["Location"].startswith(f"{behind.base}/fhir/Patient/")
        bundle = http.get("Patient", params={"_count": "1"}).raise_for_status()
        assert all(link["url"].startswith(f"{behind.base}/") for link in bundle.json()["link"])
        entry = bundle.json()["entry"][0]
        assert entry["fullUrl"].startswith(f"{behind.base}/fhir/Patient/")
        page = http.get(f"{behind.base}/")
        told = http.get(".well-known/smart-configuration").json()
    assert told["token_endpoint"] == f"{behind.base}/access/token"
    for answer in (made, bundle, page):
        counted = Counter(name for name, _ in answer.headers.multi_items())
        assert [name for name, count in counted.items() if count > 1] == []
        assert answer.headers["Strict-Transport-Security"]
        assert answer.headers["Server"] == "nginx", "without its version"


def test_a_client_is_known_by_its_address_whatever_it_says(behind: Behind) -> None:
    lies = {"X-Forwarded-For": "10.1.2.3", "X-Forwarded-Proto": "http"}
    with behind.admitted("127.0.0.4") as http:
        http.get("Patient/not-there", headers=lies)
    # Past the proxy nobody is believed but the proxy's own machine.
    with behind.client("127.0.0.5", behind.direct, **lies) as past:
        assert past.get("Patient/not-there").status_code == 401
    with behind.admitted() as http:
        found = _addresses(http, "127.0.0.4")
    assert {"127.0.0.4", "127.0.0.5"} <= found
    assert "10.1.2.3" not in found


def _addresses(http: httpx.Client, wanted: str) -> set[str]:
    """Where accesses came from, as the audit log has it; it is written a moment later."""
    end = time.monotonic() + 20
    while True:
        bundle = http.get("AuditEvent", params={"_count": "500"}).raise_for_status().json()
        agents = [a for e in bundle["entry"] for a in e["resource"]["agent"]]
        found = {agent["network"]["address"] for agent in agents if "network" in agent}
        if wanted in found or time.monotonic() > end:
            return found
        time.sleep(0.2)


def test_who_guesses_is_stopped_and_nobody_else(behind: Behind) -> None:
    with behind.client("127.0.0.6") as guessing, behind.client("127.0.0.7") as other:
        for _ in range(500):
            answer = behind.ask(guessing, aud="https://elsewhere.example/token")
            if answer.status_code == 429:
                break
            assert answer.status_code in (400, 401)
        assert answer.status_code == 429
        assert int(answer.headers["Retry-After"]) > 0
        assert behind.ask(other).status_code == 200


def test_an_export_comes_whole(behind: Behind) -> None:
    entries = [
        {"resource": patient(f"p{n}"), "request": {"method": "PUT", "url": f"Patient/p{n}"}}
        for n in range(100)
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    with behind.admitted() as http:
        http.post("", json=bundle).raise_for_status()
        manifest = exporting.finished(http, http.get("$export", params={"_type": "Patient"}))
        assert manifest["requiresAccessToken"] is True
        urls = [file["url"] for file in manifest["output"]]
        assert len(urls) > 2
        assert all(url.startswith(f"{behind.base}/fhir/$export-file/") for url in urls)
        assert {f"Patient/p{n}" for n in range(100)} <= exporting.taken(http, manifest).keys()
        plain = http.get(urls[0], headers={"Accept-Encoding": "identity"})
        packed = http.get(urls[0], headers={"Accept-Encoding": "gzip"})
        assert "Content-Encoding" not in plain.headers
        assert packed.headers["Content-Encoding"] == "gzip"
        assert packed.content == plain.content
    with behind.client() as nobody:
        assert nobody.get(urls[0]).status_code == 401


def test_what_the_service_takes_gets_through_and_what_not_is_refused_in_its_words(
    behind: Behind,
) -> None:
    long, longer = ({"identifier": "a" * (BoundedProtocol.head_bytes // n - 30)} for n in (4, 2))
    with behind.admitted() as http:
        assert http.get("Patient", params=long).status_code == 200
        large = {**patient(), "name": [{"text": "b" * (15 << 20)}]}
        assert http.post("Patient/$validate", content=json.dumps(large)).status_code != 413
        for refused, status in (
            (http.post("Patient", content=b" " * (17 << 20)), 413),
            (http.get("Patient", params=longer), 414),
        ):
            assert refused.status_code == status
            assert refused.headers["Content-Type"] == "application/fhir+json"
            (issue,) = refused.json()["issue"]
            assert issue["code"] == "too-long"
    log = behind.folder / "error.log"
    assert not log.exists() or log.read_text() == "", "an address may hold names"


@pytest.mark.filterwarnings("ignore:.*TLS.*deprecated")
@pytest.mark.parametrize(
    ("version", "ciphers", "taken"),
    [
        (ssl.TLSVersion.TLSv1_2, "ECDHE-ECDSA-AES256-GCM-SHA384", True),
        (ssl.TLSVersion.TLSv1_2, "ECDHE-ECDSA-AES256-SHA", False),
        (ssl.TLSVersion.TLSv1_1, "ALL", False),
    ],
)
def test_old_encryption_is_refused(
    behind: Behind, version: ssl.TLSVersion, ciphers: str, taken: bool
) -> None:
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.load_verify_locations(behind.folder / "cert.pem")
    old.minimum_version = old.maximum_version = version
    old.set_ciphers(f"{ciphers}:@SECLEVEL=0")
    port = int(behind.base.rpartition(":")[2])
    with (
        socket.create_connection(("127.0.0.1", port)) as plain,
        nullcontext() if taken else pytest.raises((ssl.SSLError, ConnectionResetError)),
    ):
        old.wrap_socket(plain, server_hostname="localhost").close()


def test_where_the_service_is_down_a_client_is_told_to_come_again(behind: Behind) -> None:
    config = behind.folder / "down" / "nginx.conf"
    config.parent.mkdir()
    port = free_port()
    files = behind.folder / "cert.pem", behind.folder / "key.pem"
    _fitted(config.parent, port, free_port(), *files)
    with _nginx(config, port), behind.client(base=f"https://localhost:{port}") as http:
        answer = http.get("Patient")
    assert answer.status_code == 503
    assert int(answer.headers["Retry-After"]) > 0
    assert answer.json()["issue"][0]["code"] == "transient"
