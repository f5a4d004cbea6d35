"""The same way in with a library for OAuth: Authlib signs, asks for tokens and renews them.

    pip install authlib requests
    python examples/integrator_access.py key lakeside.json
    hyoid client add lakeside --scope 'system/*.cruds' --jwks lakeside.jwks.json
    python examples/integrator_authlib.py lakeside lakeside.json [http://127.0.0.1:8000/fhir]

Authlib takes the key as a key, not as text (text is read as RSA). Left to itself its assertions
live an hour, SMART allows five minutes; and each needs a `jti` of its own.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

from authlib.integrations.requests_client import OAuth2Session
from authlib.oauth2.rfc7523 import PrivateKeyJWT
from joserfc.jwk import ECKey


class Assertions(PrivateKeyJWT):
    """A new assertion for every token."""

    def sign(self, auth: Any, token_endpoint: str) -> Any:
        self.claims = {"exp": int(time.time()) + 240}
        return super().sign(auth, token_endpoint)


def session(base: str, name: str, key: ECKey, scope: str) -> OAuth2Session:
    """A requests session with a token, which it renews by itself."""
    with OAuth2Session() as http:
        smart = f"{base}/.well-known/smart-configuration"
        endpoint = http.get(smart, withhold_token=True).json()["token_endpoint"]
    signing = Assertions(headers={"kid": key.kid}, alg="ES384")
    found = OAuth2Session(
        name,
        key,
        token_endpoint_auth_method=signing,
        scope=scope,
        token_endpoint=endpoint,
        grant_type="client_credentials",
    )
    found.fetch_token()
    return found


def main(arguments: list[str]) -> int:
    if len(arguments) not in (2, 3):
        print(__doc__)
        return 2
    name, file, base = (*arguments, "http://127.0.0.1:8000/fhir")[:3]
    key = ECKey.import_key(json.loads(Path(file).read_text()))
    with session(base, name, key, "system/Patient.rs") as client:
        print("a token for", client.token["scope"])
        answer = client.get(f"{base}/Patient?_summary=count")
        answer.raise_for_status()
        print("clients:", answer.json()["total"])
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
