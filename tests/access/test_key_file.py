"""Who has the database has no key to sign with, and the secret can be lost, replaced and shared.

On both engines. That joserfc encrypts as RFC 7516 and RFC 7518 say is checked against the library
`cryptography`, which knows nothing of JOSE.
"""

from __future__ import annotations

import json
import stat
import time
from base64 import urlsafe_b64decode
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from joserfc.jwk import ECKey

from service.access.key_file import KeyFile, made_key_file, place_of
from service.access.opening import Access
from service.access.sealing import SealError, Secrets, is_sealed, new_secret, secrets_in
from service.access.signing import LONGEST_TOKEN, SigningKeys, opened_secrets, resealed, rotated
from service.caller import Caller
from service.errors import NotAuthenticated, Unavailable
from service.settings import Settings
from service.store.engine import Database
from service.store.store import Store
from service.store.systems_keys import rotate
from tests.access.integrators import BASE, Clock, Integrator, access_at
from tests.live import hyoid_here

DAY = 86400


@pytest.fixture
def settings(database_url: str, tmp_path: Path) -> Settings:
    named = "" if database_url.startswith("sqlite") else str(tmp_path / "key")
    return Settings(base_url=BASE, database=database_url, key_file=named)


def _rows(database: Database) -> dict[str, str]:
    with database.reader() as connection:
        return dict(connection.rows("SELECT kid, jwk FROM signing_key"))


def _opened(
    store: Store, settings: Settings, clock: Clock
) -> tuple[Access, Callable[[str], Caller]]:
    access = access_at(store.database, clock, settings)
    return access, lambda token: access.gate.admit("read", {"authorization": f"Bearer {token}"})


def _token(access: Access, system: Integrator, clock: Clock) -> str:
    text: str = access.systems.token(system.form(clock.now))["access_token"]
    return text


def _bytes(part: str) -> bytes:
    return urlsafe_b64decode(part + "=" * (-len(part) % 4))


def test_the_database_alone_cannot_sign(
    store: Store, settings: Settings, lakeside: Integrator, clock: Clock
) -> None:
    access, enter = _opened(store, settings, clock)
    assert enter(_token(access, lakeside, clock)).name == "lakeside"
    ((kid, text),) = _rows(store.database).items()
    path = place_of(settings)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    head, wrapped, nonce, content, tag = text.split(".")
    assert wrapped == ""
    told = json.loads(_bytes(head))
    (secret,) = json.loads(path.read_text())["keys"]
    assert (told["alg"], told["enc"], told["kid"]) == ("dir", "A256GCM", secret["kid"])
    opened = AESGCM(_bytes(secret["k"])).decrypt(
        _bytes(nonce), _bytes(content) + _bytes(tag), head.encode()
    )
    jwk = json.loads(opened)
    assert jwk["kid"] == kid
    assert "d" in jwk
    assert "d" not in told


def test_keys_of_an_earlier_version_are_encrypted_and_sign_no_more(
    store: Store, settings: Settings, lakeside: Integrator, clock: Clock
) -> None:
    """Copies of the database hold them; the tokens that they signed count until they expire."""
    clock.now = time.time()
    key = ECKey.generate_key("P-256", {"use": "sig", "alg": "ES256"}, auto_kid=True)
    plain = json.dumps(key.as_dict(private=True))
    assert key.kid is not None
    kid = key.kid
    rotate(store.database, lambda: (kid, plain), int(clock.now), keep=LONGEST_TOKEN)
    access, enter = _opened(store, settings, clock)
    assert is_sealed(_rows(store.database)[kid])
    assert access.keys.to_sign(int(clock.now)).kid != kid
    assert {each["kid"] for each in access.keys.public(int(clock.now))["keys"]} > {kid}
    verifying = access.keys.to_verify(kid, int(clock.now))
    assert verifying is not None
    assert verifying.as_dict(private=True)["d"] == key.as_dict(private=True)["d"]
    before = _rows(store.database)
    _opened(store, settings, clock)
    assert _rows(store.database) == before, "what is encrypted stays as it is"
    assert enter(_token(access, lakeside, clock))


def test_a_plain_key_beside_encrypted_ones_is_of_no_use(
    store: Store,
    settings: Settings,
    lakeside: Integrator,
    clock: Clock,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Who may write the database but has not the secret cannot sign by it, nor stop the service."""
    clock.now = time.time()
    access, enter = _opened(store, settings, clock)
    token = _token(access, lakeside, clock)
    mine = ECKey.generate_key("P-256", {"use": "sig", "alg": "ES256"}, auto_kid=True)
    assert mine.kid
    forged = _forged(token, mine, int(clock.now) + 300)
    plain = json.dumps(mine.as_dict(private=True))
    for text in (plain, f" {plain}"):
        with store.database.writer() as connection:
            connection.run(
                "INSERT INTO signing_key (kid, jwk, created) VALUES (?, ?, ?)",
                (mine.kid, text, int(clock.now) + 10),
            )
        assert enter(_token(access, lakeside, clock))
        for _ in range(2):
            with pytest.raises(NotAuthenticated):
                enter(forged)
            assert mine.kid not in {k["kid"] for k in access.keys.public(int(clock.now))["keys"]}
            access, enter = _opened(store, settings, clock)
        assert mine.kid not in _rows(store.database)
        assert "did not make" in caplog.text
        assert enter(token)


def test_a_retired_key_verifies_for_an_hour_though_nothing_was_cleared_away(
    store: Store, settings: Settings, lakeside: Integrator, clock: Clock
) -> None:
    access, enter = _opened(store, settings, clock)
    token = _token(access, lakeside, clock)
    old = access.keys.to_sign(int(clock.now))
    assert old.kid
    secrets = opened_secrets(store.database, settings)
    rotated(store.database, secrets, int(clock.now))
    forged = _forged(token, old, int(clock.now) + 30 * DAY)
    assert enter(token)
    clock.now += LONGEST_TOKEN + 1
    with pytest.raises(NotAuthenticated):
        enter(forged)
    fresh = SigningKeys(store.database, secrets, 30)
    assert fresh.to_verify(old.kid, int(clock.now)) is None
    assert [each["kid"] for each in fresh.public(int(clock.now))["keys"]] != [old.kid]


def _forged(token: str, key: ECKey, until: int) -> str:
    from joserfc import jwt

    claims = json.loads(_bytes(token.split(".")[1])) | {"exp": until}
    return jwt.encode({"alg": "ES256", "typ": "at+jwt", "kid": key.kid}, claims, key)


def test_processes_that_start_at_once_make_one_secret(
    store: Store, settings: Settings, database_url: str
) -> None:
    databases = [Database(database_url) for _ in range(8)]

    def sign(database: Database) -> str | None:
        keys = SigningKeys(database, opened_secrets(database, settings), 30)
        return keys.to_sign(1_800_000_000).kid

    with ThreadPoolExecutor(8) as pool:
        assert len(set(pool.map(sign, databases))) == 1
    for database in databases:
        database.close()
    path = place_of(settings)
    assert [each.name for each in path.parent.glob(f"{path.name}*")] == [path.name]


def test_a_lost_secret_is_told_and_new_keys_help(
    store: Store, settings: Settings, clock: Clock, lakeside: Integrator
) -> None:
    access, _ = _opened(store, settings, clock)
    token = _token(access, lakeside, clock)
    path = place_of(settings)
    path.unlink()
    with pytest.raises(ValueError, match="no file"):
        opened_secrets(store.database, settings)
    assert not path.exists(), "no secret is made that opens nothing"
    made_key_file(path)
    with pytest.raises(ValueError, match="another secret"):
        opened_secrets(store.database, settings)
    options = ("--database", settings.database, "--key-file", str(path))
    done = hyoid_here("keys", "rotate", *options)
    assert (done.returncode, done.stdout) == (2, "")
    assert "--drop-old" in done.stderr
    assert hyoid_here("keys", "rotate", "--drop-old", *options).returncode == 0
    access, enter = _opened(store, settings, clock)
    assert enter(_token(access, lakeside, clock))
    with pytest.raises(NotAuthenticated):
        enter(token)


def test_processes_that_run_find_a_new_secret(store: Store, settings: Settings) -> None:
    now = 1_800_000_000
    running = SigningKeys(store.database, opened_secrets(store.database, settings), 30)
    first = running.to_sign(now)
    before = place_of(settings).read_text()
    resealed(store.database, opened_secrets(store.database, settings))
    (secret,) = json.loads(place_of(settings).read_text())["keys"]
    assert secret["kid"] not in before
    rotated(store.database, opened_secrets(store.database, settings), now)
    assert running.to_sign(now).kid != first.kid
    # What it makes itself is sealed with the new one.
    last = running.to_sign(now + 31 * DAY)
    fresh = SigningKeys(store.database, KeyFile(place_of(settings)), 30)
    assert fresh.to_verify(str(last.kid), now + 31 * DAY)
    with pytest.raises(SealError):
        secrets_in(before).opened(_rows(store.database)[str(last.kid)])


@pytest.mark.parametrize("step", ["rewrite", "drop_old"])
def test_a_replacement_that_was_broken_off_loses_nothing(
    step: str, store: Store, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    from service.access import signing

    def fail(*_: object) -> None:
        raise RuntimeError

    secrets = opened_secrets(store.database, settings)
    kid = rotated(store.database, secrets, 1_800_000_000).kid
    with monkeypatch.context() as broken:
        broken.setattr(signing if step == "rewrite" else KeyFile, step, fail)
        with pytest.raises(RuntimeError):
            resealed(store.database, secrets)
    for _ in range(2):
        secrets = opened_secrets(store.database, settings)
        keys = SigningKeys(store.database, secrets, 30)
        assert keys.to_verify(kid, 1_800_000_000)
        resealed(store.database, secrets)
    assert len(secrets_in(place_of(settings).read_text()).keys) == 1


def test_without_its_secret_a_process_says_so_and_signs_nothing(
    store: Store, settings: Settings, caplog: pytest.LogCaptureFixture
) -> None:
    """As on another machine, to which a new file was not copied."""
    now = 1_800_000_000
    secrets = opened_secrets(store.database, settings)
    running = SigningKeys(store.database, secrets, 30)
    running.to_sign(now)
    elsewhere = place_of(settings).with_name("elsewhere.key")
    made_key_file(elsewhere)
    rotated(store.database, KeyFile(elsewhere), now)
    with pytest.raises(Unavailable):
        running.to_sign(now)
    assert str(place_of(settings)) in caplog.text
    place_of(settings).unlink()
    with pytest.raises(Unavailable):
        running.to_sign(now + 31 * DAY)


def test_a_key_under_the_number_of_another_is_none(store: Store, settings: Settings) -> None:
    now = 1_800_000_000
    secrets = opened_secrets(store.database, settings)
    one, other = (rotated(store.database, secrets, now) for _ in range(2))
    with store.database.writer() as connection:
        connection.run("UPDATE signing_key SET jwk = ? WHERE kid = ?", (one.jwk, other.kid))
    assert SigningKeys(store.database, secrets, 30).to_verify(other.kid, now) is None
    with pytest.raises(ValueError, match="another secret"):
        opened_secrets(store.database, settings)


def test_it_lies_beside_the_store_or_where_it_is_named() -> None:
    settings = Settings(database="postgresql://hyoid@/hyoid")
    assert place_of(settings) == Path("hyoid.key")
    assert place_of(replace(settings, key_file="/etc/k")) == Path("/etc/k")
    assert place_of(Settings()) == Path("hyoid.sqlite3.key")


_SHORT = "c2hvcnRzaG9ydHNob3J0"


@pytest.mark.parametrize(
    "text",
    [
        *("", "{}", "[]", "[", "[" * 100_000, '{"keys": []}', '{"keys": {"a": 1}}'),
        f'{{"keys": [{{"kty": "oct", "kid": "a", "k": "{_SHORT}"}}]}}',
        f'{{"keys": [{{"kty": "oct", "k": "{"A" * 43}"}}]}}',
    ],
)
def test_what_is_no_secret_is_told_without_its_text(text: str, tmp_path: Path) -> None:
    path = tmp_path / "key"
    path.touch(0o600)
    path.write_text(text)
    with pytest.raises(ValueError, match="no file with a secret") as refusal:
        KeyFile(path)
    assert "c2hvcnRzaG9ydHNob3J0" not in str(refusal.value)


def test_what_was_changed_is_not_opened() -> None:
    own = Secrets((new_secret(),))
    sealed = own.sealed('{"kty":"EC"}')
    assert own.opened(sealed) == '{"kty":"EC"}'
    assert Secrets((new_secret(), *own.keys)).opened(sealed)
    head, _, nonce, content, tag = sealed.split(".")
    for text in (
        *("", "{}", "é", "....", sealed[:-4] + "AAAA", sealed.replace(".", "!", 1)),
        *(".".join((head, "", nonce, content[:-3] + "AAA", tag)),),
        *(".".join((head, "", nonce, content, tag[:6])),),
        *(".".join((head[:-5] + "AAAAA", "", nonce, content, tag)),),
    ):
        with pytest.raises(SealError):
            own.opened(text)
    with pytest.raises(SealError):
        Secrets((new_secret(),)).opened(sealed)
