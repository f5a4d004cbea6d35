"""hyoid client: systems are registered, listed, changed, disabled; and what is refused."""

from __future__ import annotations

import json
import stat
import subprocess
from pathlib import Path

import pytest
from joserfc.jwk import ECKey

from service.store.engine import Database
from service.store.systems import SystemClient, required_client
from tests.live import hyoid, hyoid_here

SCOPE = ("--scope", "system/Observation.rs system/Patient.r")


def _client(*arguments: str, url: str) -> subprocess.CompletedProcess[str]:
    return hyoid_here("client", *arguments, "--database", url)


def _stored(url: str, name: str = "lakeside") -> SystemClient:
    database = Database(url)
    try:
        return required_client(database, name)
    finally:
        database.close()


def _public(folder: Path, kid: str = "k") -> str:
    file = folder / f"{kid}.jwks.json"
    key = ECKey.generate_key("P-384", {"kid": kid})
    file.write_text(json.dumps({"keys": [key.as_dict(private=False)]}))
    return str(file)


def test_a_key_is_made_for_its_owner_alone(sqlite_url: str, tmp_path: Path) -> None:
    file = tmp_path / "key.json"
    done = _client("add", "lakeside", *SCOPE, "--generate-key", str(file), url=sqlite_url)
    assert done.returncode == 0, done.stderr
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    private = json.loads(file.read_text())
    assert private["d"] not in done.stdout + done.stderr
    assert (private["crv"], private["alg"]) == ("P-384", "ES384")
    stored = _stored(sqlite_url)
    (public,) = json.loads(stored.jwks)["keys"]
    assert public == {k: v for k, v in private.items() if k != "d"}
    assert stored.scopes == {"system/Observation.rs", "system/Patient.r"}
    assert stored.tied is None


def test_the_store_that_it_makes_is_for_its_owner_alone(sqlite_url: str, tmp_path: Path) -> None:
    """It holds the keys that sign access tokens."""
    done = hyoid(
        "client", "add", "a", *SCOPE, "--jwks", _public(tmp_path), "--database", sqlite_url
    )
    assert done.returncode == 0, done.stderr
    store = Path(sqlite_url.removeprefix("sqlite:///"))
    for file in store.parent.glob(f"{store.name}*"):
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file


def test_a_key_is_never_written_over(sqlite_url: str, tmp_path: Path) -> None:
    file = tmp_path / "key.json"
    file.write_text("mine")
    done = _client("add", "lakeside", *SCOPE, "--generate-key", str(file), url=sqlite_url)
    assert (done.returncode, file.read_text()) == (1, "mine")
    assert "never written over" in done.stderr
    assert _client("list", url=sqlite_url).stdout.startswith("No system")


def test_no_key_is_left_behind_where_the_system_could_not_be_registered(
    sqlite_url: str, tmp_path: Path
) -> None:
    assert _client("add", "a", *SCOPE, "--jwks", _public(tmp_path), url=sqlite_url).returncode == 0
    file = tmp_path / "key.json"
    done = _client("add", "a", *SCOPE, "--generate-key", str(file), url=sqlite_url)
    assert done.returncode == 1
    assert done.stderr == "hyoid: There is a system named 'a' already\n"
    assert not file.exists()


def test_an_rsa_key_can_be_made(sqlite_url: str, tmp_path: Path) -> None:
    file = tmp_path / "key.json"
    options = ("--generate-key", str(file), "--algorithm", "RS384")
    assert _client("add", "rsa", *SCOPE, *options, url=sqlite_url).returncode == 0
    private = json.loads(file.read_text())
    assert (private["kty"], private["alg"]) == ("RSA", "RS384")


def test_ties_and_a_device(sqlite_url: str, tmp_path: Path) -> None:
    done = _client(
        *("add", "lakeside", *SCOPE, "--jwks", _public(tmp_path)),
        *("--tied", "Organization/a", "--tied", "CareTeam/b", "--reference", "Device/d"),
        url=sqlite_url,
    )
    assert done.returncode == 0, done.stderr
    stored = _stored(sqlite_url)
    assert stored.tied == {"Organization/a", "CareTeam/b"}
    assert stored.reference == "Device/d"
    assert "CareTeam/b, Organization/a" in done.stdout


@pytest.mark.parametrize(
    ("options", "about"),
    [
        ((), "--scope is needed"),
        (("--scope", "user/*.rs"), "not for systems"),
        (("--scope", "system/Nothing.rs"), "Nothing"),
        (("--scope", "everything"), "--scope"),
        ((*SCOPE, "--tied", "Patient/1"), "--tied"),
        ((*SCOPE, "--reference", "x"), "--reference"),
        (SCOPE, "--jwks or --generate-key"),
        ((*SCOPE, "--jwks", "http://clinic.example/jwks"), "https"),
        ((*SCOPE, "--jwks", "/never/there.json"), "No such file"),
        ((*SCOPE, "--jwks", "/dev/null"), "not JSON"),
        ((*SCOPE, "--generate-key", "/never/there/key"), "Cannot write"),
    ],
)
def test_what_cannot_be_registered(options: tuple[str, ...], about: str, sqlite_url: str) -> None:
    done = _client("add", "lakeside", *options, url=sqlite_url)
    assert done.returncode in (1, 2)
    assert about in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("name", ["", "-x", "a b", "x" * 65, "é", "a/b", "a\n"])
def test_odd_names_are_refused(name: str, sqlite_url: str) -> None:
    done = hyoid_here(
        *("client", "add", *SCOPE, "--jwks", "https://a.example/jwks"),
        *("--database", sqlite_url, "--", name),
    )
    assert done.returncode == 2, name


def test_a_private_key_is_not_taken_for_a_public_one(sqlite_url: str, tmp_path: Path) -> None:
    file = tmp_path / "private.json"
    key = ECKey.generate_key("P-384", {"kid": "k"})
    file.write_text(json.dumps({"keys": [key.as_dict(private=True)]}))
    done = _client("add", "a", *SCOPE, "--jwks", str(file), url=sqlite_url)
    assert done.returncode == 1
    assert "private key" in done.stderr


def test_systems_are_listed(sqlite_url: str, tmp_path: Path) -> None:
    url = "https://clinic.example/jwks"
    assert _client("add", "by-url", *SCOPE, "--jwks", url, url=sqlite_url).returncode == 0
    options = ("--jwks", _public(tmp_path), "--tied", "CareTeam/b")
    assert _client("add", "held", *SCOPE, *options, url=sqlite_url).returncode == 0
    assert _client("disable", "held", url=sqlite_url).returncode == 0
    by_url, held = _client("list", url=sqlite_url).stdout.splitlines()[1:]
    assert "enabled" in by_url
    assert url in by_url
    assert "all" in by_url
    assert "disabled" in held
    assert "CareTeam/b" in held
    assert "registered" in held
    assert _client("enable", "held", url=sqlite_url).returncode == 0
    assert _stored(sqlite_url, "held").disabled is None


def test_a_system_is_changed(sqlite_url: str, tmp_path: Path) -> None:
    _client("add", "lakeside", *SCOPE, "--jwks", _public(tmp_path), url=sqlite_url)
    before = _stored(sqlite_url)
    options = ("--scope", "system/Patient.r", "--tied", "CareTeam/b")
    assert _client("change", "lakeside", *options, url=sqlite_url).returncode == 0
    after = _stored(sqlite_url)
    assert (after.scopes, after.tied) == ({"system/Patient.r"}, {"CareTeam/b"})
    assert after.jwks == before.jwks
    assert _client("change", "lakeside", "--untied", url=sqlite_url).returncode == 0
    assert _stored(sqlite_url).tied is None
    assert _client("change", "lakeside", "--untied", "--tied", "x", url=sqlite_url).returncode == 2


def test_keys_are_replaced_or_added(sqlite_url: str, tmp_path: Path) -> None:
    def kids() -> list[str]:
        return [key["kid"] for key in json.loads(_stored(sqlite_url).jwks)["keys"]]

    _client("add", "lakeside", *SCOPE, "--jwks", _public(tmp_path, "one"), url=sqlite_url)
    rotate = ("rotate", "lakeside", "--jwks")
    done = _client(*rotate, _public(tmp_path, "two"), "--keep-old", url=sqlite_url)
    assert (done.returncode, kids()) == (0, ["two", "one"])
    done = _client(*rotate, _public(tmp_path, "two"), "--keep-old", url=sqlite_url)
    assert (done.returncode, kids()) == (1, ["two", "one"])
    done = _client(*rotate, _public(tmp_path, "three"), url=sqlite_url)
    assert (done.returncode, kids()) == (0, ["three"])
    done = _client(*rotate, "https://a.example/jwks", url=sqlite_url)
    assert (done.returncode, _stored(sqlite_url).jwks) == (0, "")


@pytest.mark.parametrize("command", ["disable", "enable", "change", "rotate"])
def test_an_unknown_system_is_told(command: str, sqlite_url: str, tmp_path: Path) -> None:
    _client("add", "lakeside", *SCOPE, "--jwks", _public(tmp_path), url=sqlite_url)
    file = tmp_path / "key.json"
    options = ("--generate-key", str(file)) if command == "rotate" else ()
    done = _client(command, "nobody", *options, url=sqlite_url)
    assert (done.returncode, done.stderr) == (1, "hyoid: There is no system named 'nobody'\n")
    assert not file.exists()


def test_a_store_that_is_not_there_is_not_made_by_looking(sqlite_url: str) -> None:
    for command in (("client", "list"), ("client", "disable", "a"), ("keys", "rotate")):
        done = hyoid_here(*command, "--database", sqlite_url)
        assert done.returncode == 1
        assert "There is no store" in done.stderr


def test_keys_rotate_tells_the_number_of_the_key(sqlite_url: str, tmp_path: Path) -> None:
    from service.store.systems_keys import signing_key

    _client("add", "lakeside", *SCOPE, "--jwks", _public(tmp_path), url=sqlite_url)
    made, rotated = hyoid_here("keys", "rotate", "--database", sqlite_url).stdout.splitlines()
    database = Database(sqlite_url)
    with database.reader() as connection:
        key = signing_key(connection)
    database.close()
    assert key
    assert rotated == f"Access tokens are signed with {key.kid} from now on"
    file = Path(f"{sqlite_url.removeprefix('sqlite:///')}.key")
    assert made.startswith(f"Made {file}: ")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
