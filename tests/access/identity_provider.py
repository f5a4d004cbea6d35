"""An identity provider on loopback, with keys of its own, that can be told to lie.

Written for these tests after OpenID Connect Core 1.0 and Discovery 1.0; signs with joserfc.
"""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
import threading
import time
from collections.abc import Callable
from functools import cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, parse_qsl, urlsplit

from joserfc import jwt
from joserfc.jwk import ECKey, Key, RSAKey

CLIENT = "hyoid"
SECRET = "s3cret & more"


@cache
def _first_key() -> RSAKey:
    return RSAKey.generate_key(2048, {"kid": "one"})


class IdentityProvider:
    """Whoever comes to its door is `claims`; `lie` changes what it signs."""

    def __init__(self, clock: Callable[[], float] = time.time) -> None:
        self.clock = clock
        self.key: RSAKey | ECKey = _first_key()
        self.alg = "RS256"
        self.claims: dict[str, Any] = {"sub": "u-17", "groups": ["staff", "slp"], "name": "Robin V"}
        self.userinfo: dict[str, Any] = {"sub": "u-17", "employee": "E17"}
        self.secret = SECRET
        self.lie: Callable[[dict[str, Any]], dict[str, Any]] = lambda claims: claims
        self.sign: Callable[[dict[str, Any]], str] = self.signed
        self.told: dict[str, Any] = {}
        self.asked: list[str] = []
        self.codes: dict[str, dict[str, str]] = {}
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                outer.asked.append(self.path)
                outer.get(self)

            def do_POST(self) -> None:
                outer.asked.append(self.path)
                body = self.rfile.read(int(self.headers["Content-Length"])).decode()
                outer.token(self, dict(parse_qsl(body)))

            def log_message(self, *_: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.issuer = f"http://127.0.0.1:{self._server.server_address[1]}"
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()

    def signed(self, claims: dict[str, Any], key: Key | None = None, **header: Any) -> str:
        head = {"alg": self.alg, "kid": self.key.kid, **header}
        head = {name: value for name, value in head.items() if value is not None}
        return jwt.encode(head, claims, key or self.key, algorithms=[head["alg"]])

    def rotated(self) -> None:
        self.key = RSAKey.generate_key(2048, {"kid": secrets.token_hex(4)})

    def redirect(self, url: str) -> str:
        """What the browser of somebody who signs in there is sent back to."""
        parts = urlsplit(url)
        asked = {name: values[0] for name, values in parse_qs(parts.query).items()}
        assert asked["response_type"] == "code"
        assert asked["client_id"] == CLIENT
        assert asked["code_challenge_method"] == "S256"
        assert "openid" in asked["scope"].split()
        code = secrets.token_hex(8)
        self.codes[code] = asked
        return f"{asked['redirect_uri']}?code={code}&state={asked['state']}"

    def access_token(self, audience: str, **claims: Any) -> str:
        now = int(self.clock())
        told = {
            **self.claims,
            **self.userinfo,
            "iss": self.issuer,
            "aud": audience,
            "client_id": "some app",
            "iat": now,
            "exp": now + 300,
            "jti": secrets.token_hex(8),
            "scope": "openid user/*.cruds",
            **claims,
        }
        told = {name: value for name, value in told.items() if value is not None}
        return self.signed(told, typ="at+jwt")

    def get(self, asked: BaseHTTPRequestHandler) -> None:
        path = urlsplit(asked.path).path
        if path == "/.well-known/openid-configuration":
            _say(asked, self._discovery() | self.told)
        elif path == "/keys":
            _say(asked, {"keys": [self.key.as_dict(private=False)]})
        elif path == "/userinfo":
            right = asked.headers.get("Authorization") == "Bearer opaque"
            _say(asked, self.userinfo if right else {}, 200 if right else 401)
        elif path == "/authorize":
            asked.send_response(302)
            asked.send_header("Location", self.redirect(asked.path))
            asked.end_headers()
        else:
            _say(asked, {}, 404)

    def token(self, asked: BaseHTTPRequestHandler, form: dict[str, str]) -> None:
        known = self.codes.pop(form.get("code", ""), None)
        verifier = hashlib.sha256(form.get("code_verifier", "").encode()).digest()
        challenge = base64.urlsafe_b64encode(verifier).rstrip(b"=").decode()
        fits = (
            known is not None
            and form.get("grant_type") == "authorization_code"
            and known["redirect_uri"] == form.get("redirect_uri")
            and known["code_challenge"] == challenge
            and self._authenticated(asked, form)
        )
        if not fits or known is None:
            _say(asked, {"error": "invalid_grant"}, 400)
            return
        now = int(self.clock())
        claims = {
            "iss": self.issuer,
            "aud": CLIENT,
            "iat": now,
            "exp": now + 300,
            "nonce": known["nonce"],
            **self.claims,
        }
        token = self.sign(self.lie(claims))
        _say(asked, {"access_token": "opaque", "token_type": "Bearer", "id_token": token})

    def _authenticated(self, asked: BaseHTTPRequestHandler, form: dict[str, str]) -> bool:
        if not self.secret:
            return form.get("client_id") == CLIENT
        if "client_secret" in form:
            return (form.get("client_id"), form["client_secret"]) == (CLIENT, self.secret)
        scheme, _, pair = asked.headers.get("Authorization", "").partition(" ")
        named, _, secret = base64.b64decode(pair).decode().partition(":")
        # RFC 6749, section 2.3.1: both are form-encoded first.
        sent = dict(parse_qsl(f"secret={secret}"))["secret"]
        return (scheme, named, sent) == ("Basic", CLIENT, self.secret)

    def _discovery(self) -> dict[str, Any]:
        return {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "userinfo_endpoint": f"{self.issuer}/userinfo",
            "jwks_uri": f"{self.issuer}/keys",
            "id_token_signing_alg_values_supported": ["RS256", "ES256", "HS256", "none"],
        }


def _say(asked: BaseHTTPRequestHandler, content: dict[str, Any], status: int = 200) -> None:
    body = json.dumps(content).encode()
    asked.send_response(status)
    asked.send_header("Content-Type", "application/json")
    asked.send_header("Content-Length", str(len(body)))
    asked.end_headers()
    asked.wfile.write(body)
