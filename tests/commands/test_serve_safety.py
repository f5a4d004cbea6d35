"""hyoid serve: what is unsafe is refused in one line, and TLS holds what BCP 195 asks for.

Sources: RFC 9325 (BCP 195), sections 3.1.1 and 4.2; RFC 6797 (HSTS). The certificate is made with
the library `cryptography`; clients are `ssl` and httpx.
"""

from __future__ import annotations

import json
import ssl
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.access.key_file import made_key_file
from service.commands._safety import require_safe
from service.commands._telling import RefusedError
from service.settings import Settings
from tests.factories.certificates import certified
from tests.live import HYOID, free_port, hyoid, hyoid_here, started, told_until

UNENCRYPTED = "without encryption"


def _refused(*arguments: str, **env: str) -> str:
    done = hyoid("serve", "--port", "0", *arguments, env=env)
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1), done.stderr
    return done.stderr


@pytest.mark.parametrize("host", ["0.0.0.0", "::", ""])
def test_tokens_go_over_no_network_unencrypted(host: str, sqlite_url: str) -> None:
    assert UNENCRYPTED in _refused("--host", host, "--database", sqlite_url)
    assert not Path(sqlite_url.removeprefix("sqlite:///")).exists()


def test_who_is_reached_from_elsewhere_says_under_which_name(
    sqlite_url: str, tmp_path: Path
) -> None:
    """Or tokens would be for https://127.0.0.1."""
    cert, key = certified(tmp_path, address="127.0.0.1")
    options = ("--tls-cert", str(cert), "--tls-key", str(key), "--database", sqlite_url)
    assert "set HYOID_BASE_URL to the https address" in _refused("--host", "0.0.0.0", *options)
    own = Settings(database=sqlite_url, tls_cert=str(cert), tls_key=str(key))
    require_safe(own, only_here=True)
    require_safe(replace(own, base_url="https://records.example/fhir"), only_here=False)


@pytest.mark.parametrize("host", ["127.0.0.1", "0.0.0.0"])
def test_nor_does_the_address_that_clients_use(host: str, sqlite_url: str) -> None:
    named = {"HYOID_BASE_URL": "http://records.example/fhir"}
    assert "HYOID_BASE_URL" in _refused("--host", host, "--database", sqlite_url, **named)


def test_behind_a_proxy_with_tls_it_may_listen_to_others(sqlite_url: str, tmp_path: Path) -> None:
    command = [*HYOID, "serve", "--host", "0.0.0.0", "--port", "0", "--database", sqlite_url]
    named = {"HYOID_BASE_URL": "https://records.example/fhir"}
    with started(command, tmp_path, named) as process:
        told_until(process.stdout, "Hyoid serves FHIR R4")


@pytest.mark.parametrize(
    ("option", "mode"),
    [
        ("--database", 0o640),
        ("--database", 0o602),
        ("--key-file", 0o644),
        ("--key-file", 0o620),
        ("HYOID_OIDC_CLIENT_SECRET_FILE", 0o604),
        ("HYOID_OIDC_CLIENT_SECRET_FILE", 0o640),
        ("HYOID_OIDC_PEOPLE", 0o666),
        ("HYOID_OIDC_PEOPLE", 0o664),
        ("--tls-key", 0o644),
        ("--tls-key", 0o640),
    ],
)
def test_a_file_that_others_reach_is_refused(
    option: str, mode: int, sqlite_url: str, tmp_path: Path
) -> None:
    """Every mode: tests/access/test_private_files.py."""
    assert hyoid_here("migrate", "--database", sqlite_url).returncode == 0
    certificate, key = certified(tmp_path, address="127.0.0.1")
    files = {
        "--database": Path(sqlite_url.removeprefix("sqlite:///")),
        "--key-file": tmp_path / "secret.key",
        "HYOID_OIDC_CLIENT_SECRET_FILE": tmp_path / "secret",
        "HYOID_OIDC_PEOPLE": tmp_path / "people.json",
        "--tls-key": key,
    }
    made_key_file(files["--key-file"])
    files["HYOID_OIDC_CLIENT_SECRET_FILE"].touch(0o600)
    table = {
        "role": {"claim": "groups", "values": {"speech": "therapist"}},
        "practitioner": {"claim": "employee", "system": "https://clinic.example/ids"},
    }
    files["HYOID_OIDC_PEOPLE"].write_text(json.dumps(table))
    files["HYOID_OIDC_PEOPLE"].chmod(0o644)
    settings = Settings(
        database=sqlite_url,
        key_file=str(files["--key-file"]),
        oidc_issuer="https://id.example",
        oidc_client_id="hyoid",
        oidc_client_secret_file=str(files["HYOID_OIDC_CLIENT_SECRET_FILE"]),
        oidc_people=str(files["HYOID_OIDC_PEOPLE"]),
        tls_cert=str(certificate),
        tls_key=str(key),
    )
    require_safe(settings, only_here=True)
    files[option].chmod(mode)
    with pytest.raises(RefusedError, match=f"^{option}: {files[option]} can be reached"):
        require_safe(settings, only_here=True)


def test_a_store_that_others_reach_is_refused(sqlite_url: str) -> None:
    path = Path(sqlite_url.removeprefix("sqlite:///"))
    assert hyoid_here("migrate", "--database", sqlite_url).returncode == 0
    path.chmod(0o644)
    assert f"chmod 600 {path}" in _refused("--database", sqlite_url)


def test_the_secret_of_the_store_lies_beside_it(sqlite_url: str, tmp_path: Path) -> None:
    """It is made once, told, and nothing starts with another."""
    command = [*HYOID, "serve", "--port", "0", "--database", sqlite_url]
    secret = Path(f"{sqlite_url.removeprefix('sqlite:///')}.key")
    for made in (True, False):
        with started(command, tmp_path) as process:
            told = told_until(process.stdout, "Hyoid serves FHIR R4")
        assert (f"Made {secret}: " in told) is made
    assert hyoid_here("keys", "rotate", "--database", sqlite_url).returncode == 0
    secret.unlink()
    assert "hyoid keys rotate --drop-old" in _refused("--database", sqlite_url)


def test_postgresql_is_told_where_the_secret_is(postgres_url: str, tmp_path: Path) -> None:
    assert hyoid_here("migrate", "--database", postgres_url).returncode == 0
    command = [*HYOID, "serve", "--port", "0", "--database", postgres_url, "--workers", "2"]
    elsewhere = tmp_path / "another folder"
    elsewhere.mkdir()
    with started(command, tmp_path) as process:
        told_until(process.stdout, "Hyoid serves FHIR R4")
        assert (tmp_path / "hyoid.key").stat().st_mode & 0o777 == 0o600
    named = ("--database", postgres_url, "--key-file", str(tmp_path / "hyoid.key"))
    assert hyoid_here("keys", "rotate", *named).returncode == 0
    with started([*command, "--key-file", str(tmp_path / "hyoid.key")], elsewhere) as process:
        told_until(process.stdout, "Hyoid serves FHIR R4")
    assert "hyoid keys rotate --drop-old" in _refused("--database", postgres_url)


def test_so_is_its_log_and_a_folder_where_others_could_replace_it(tmp_path: Path) -> None:
    folder = tmp_path / "records"
    folder.mkdir()
    url = f"sqlite:///{folder}/store.sqlite3"
    assert hyoid("migrate", "--database", url).returncode == 0
    folder.chmod(0o777)
    assert "may replace files" in _refused("--database", url)
    link = tmp_path / "link.sqlite3"
    link.symlink_to(folder / "store.sqlite3")
    assert "may replace files" in _refused("--database", f"sqlite:///{link}")
    folder.chmod(0o700)
    log = folder / "store.sqlite3-wal"
    log.touch()
    log.chmod(0o644)
    assert str(log) in _refused("--database", url)


def test_without_access_control_the_store_may_be_anybodys(sqlite_url: str, tmp_path: Path) -> None:
    assert hyoid("migrate", "--database", sqlite_url).returncode == 0
    Path(sqlite_url.removeprefix("sqlite:///")).chmod(0o644)
    command = [*HYOID, "serve", "--access", "open", "--port", "0", "--database", sqlite_url]
    with started(command, tmp_path) as process:
        told_until(process.stdout, "Hyoid serves FHIR R4")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("HYOID_PROXIES", "10.0.0.0/99"),
        ("HYOID_PROXIES", "*"),
        ("HYOID_PROXIES", "0.0.0.0/0"),
        ("HYOID_PROXIES", "proxy.example"),
        ("HYOID_CORS_ORIGINS", "app.example"),
        ("HYOID_CORS_ORIGINS", "https://app.example/"),
        ("HYOID_CORS_ORIGINS", "https://*.example"),
        ("HYOID_RATE_BURST", "0"),
        ("HYOID_RATE_PER_SECOND", "many"),
        ("HYOID_TLS_CERT", "only.pem"),
    ],
)
def test_settings_that_cannot_be_are_told(name: str, value: str, sqlite_url: str) -> None:
    told = _refused("--database", sqlite_url, **{name: value})
    assert name in told or "--tls-cert and --tls-key go together" in told


def test_keys_that_cannot_be_used_are_refused(tmp_path: Path, sqlite_url: str) -> None:
    cert, key = certified(tmp_path, address="127.0.0.1")
    (tmp_path / "other").mkdir()
    _, other = certified(tmp_path / "other", address="127.0.0.1")
    (tmp_path / "locked").mkdir()
    locked_cert, locked = certified(tmp_path / "locked", passphrase=b"secret")

    def refused(cert: Path, key: Path) -> str:
        options = ("--tls-cert", str(cert), "--tls-key", str(key))
        return _refused("--database", sqlite_url, *options)

    assert "cannot be used" in refused(cert, other)
    assert "passphrase" in refused(locked_cert, locked)
    assert "no file" in refused(tmp_path / "none.pem", key)
    assert "No such file" in refused(cert, tmp_path / "none.pem")


@pytest.mark.parametrize("workers", ["1", "2"])
def test_https_is_served_by_itself(workers: str, tmp_path: Path, sqlite_url: str) -> None:
    cert, key = certified(tmp_path, address="127.0.0.1")
    port = free_port()
    command = [
        *(*HYOID, "serve", "--port", str(port), "--database", sqlite_url, "--workers", workers),
        *("--tls-cert", str(cert), "--tls-key", str(key)),
    ]
    trusting = ssl.create_default_context(cafile=str(cert))
    with started(command, tmp_path) as process:
        assert f"https://127.0.0.1:{port}/fhir" in told_until(process.stdout, "Hyoid serves")
        base = f"https://127.0.0.1:{port}"
        transport = httpx.HTTPTransport(verify=trusting, retries=20)
        with httpx.Client(transport=transport, base_url=base, timeout=20) as client:
            answer = client.get("/fhir/metadata")
            assert answer.status_code == 200
            assert answer.headers["Strict-Transport-Security"].startswith("max-age=")
            assert answer.json()["implementation"]["url"] == f"{base}/fhir"
            told = client.get("/fhir/.well-known/smart-configuration").json()
            assert told["token_endpoint"] == f"{base}/access/token"
        with pytest.raises(httpx.HTTPError):
            httpx.get(f"http://127.0.0.1:{port}/fhir/metadata")
        _require_bcp_195(port, cert)
        process.terminate()
        process.wait(60)


def _require_bcp_195(port: int, cert: Path) -> None:
    import socket

    def versions(**options: Any) -> str | None:
        context = ssl.create_default_context(cafile=str(cert))
        for name, value in options.items():
            if name == "ciphers":
                context.set_ciphers(value)
            else:
                setattr(context, name, value)
        with (
            socket.create_connection(("127.0.0.1", port), timeout=10) as plain,
            context.wrap_socket(plain, server_hostname="127.0.0.1") as wrapped,
        ):
            return wrapped.version()

    assert versions() == "TLSv1.3"
    assert versions(maximum_version=ssl.TLSVersion.TLSv1_2) == "TLSv1.2"
    with pytest.warns(DeprecationWarning, match="TLSv1"), pytest.raises(ssl.SSLError):
        versions(
            ciphers="ALL:@SECLEVEL=0",
            minimum_version=ssl.TLSVersion.TLSv1,
            maximum_version=ssl.TLSVersion.TLSv1_1,
        )
    for weak in ("AES128-GCM-SHA256", "ECDHE-ECDSA-AES128-SHA256", "ECDHE-ECDSA-AES128-SHA"):
        with pytest.raises((ssl.SSLError, ConnectionResetError)):
            versions(ciphers=weak, maximum_version=ssl.TLSVersion.TLSv1_2)
