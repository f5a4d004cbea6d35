"""An integrator's way in: make a key, get a token, send the first Bundle, read it back.

    python examples/integrator_access.py key lakeside.json
    hyoid client add lakeside --scope 'system/*.cruds' --jwks lakeside.jwks.json
    python examples/integrator_access.py go lakeside lakeside.json [http://127.0.0.1:8000/fhir]

The first makes a private key, which stays here, and beside it the public one, which the keeper of
the service registers. The last asks the service where tokens are given, proves with the key who
is asking, writes with one token, reads with another that may do no more than that, and gives both
back. Sent twice it is there once. A service at another address is named by the URL at the end.

SMART App Launch 2.2: https://hl7.org/fhir/smart-app-launch/backend-services.html
"""

from __future__ import annotations

import json
import os
import sys
import time
import uuid
from pathlib import Path
from typing import Any

import httpx
from joserfc import jwt
from joserfc.jwk import ECKey

Json = dict[str, Any]

ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
NUMBERS = "https://lakeside.example/ids/client"


class DisagreementError(Exception):
    """The service does something else than it should."""


def make_key(path: Path) -> Path:
    """Write a private key for our eyes only, and beside it the key set to hand over."""
    key = ECKey.generate_key("P-384", {"use": "sig", "alg": "ES384"}, auto_kid=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        json.dump(key.as_dict(private=True), file)
    public = path.with_suffix(".jwks.json")
    public.write_text(json.dumps({"keys": [key.as_dict(private=False)]}))
    return public


def discover(http: httpx.Client) -> Json:
    """What the service says of itself, open to all."""
    told: Json = http.get(".well-known/smart-configuration").raise_for_status().json()
    if "client_credentials" not in told["grant_types_supported"]:
        raise DisagreementError("no tokens for systems")
    return told


def ask_for_token(http: httpx.Client, endpoint: str, name: str, key: ECKey, scope: str) -> str:
    """One assertion, one token."""
    claims = {
        "iss": name,
        "sub": name,
        "aud": endpoint,
        "exp": int(time.time()) + 240,
        "jti": str(uuid.uuid4()),
    }
    header = {"alg": "ES384", "typ": "JWT", "kid": key.kid}
    form = {
        "grant_type": "client_credentials",
        "scope": scope,
        "client_assertion_type": ASSERTION,
        "client_assertion": jwt.encode(header, claims, key, algorithms=["ES384"]),
    }
    answer = http.post(endpoint, data=form)
    if answer.status_code != 200:
        raise DisagreementError(f"no token: {answer.text}")
    told = answer.json()
    print(f"a token for {told['scope']}, {told['expires_in']} seconds")
    return str(told["access_token"])


def first_bundle() -> Json:
    """A client and one measure, each created only if its number is not there yet."""
    client = "urn:uuid:" + str(uuid.uuid5(uuid.NAMESPACE_URL, NUMBERS))
    person = {
        "resourceType": "Patient",
        "identifier": [{"system": NUMBERS, "value": "L-1"}],
        "name": [{"family": "Larkspur", "given": ["Odile"]}],
    }
    measure = {
        "resourceType": "Observation",
        "identifier": [{"system": NUMBERS, "value": "L-1-weight"}],
        "status": "final",
        "code": {"text": "Body weight"},
        "subject": {"reference": client},
        "effectiveDateTime": "2026-11-18T09:00:00-07:00",
        "valueQuantity": {
            "value": 61.5,
            "unit": "kg",
            "system": "http://unitsofmeasure.org",
            "code": "kg",
        },
    }
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            _created(person, "L-1", client),
            _created(measure, "L-1-weight", "urn:uuid:" + str(uuid.uuid4())),
        ],
    }


def _created(resource: Json, number: str, full_url: str) -> Json:
    request = {
        "method": "POST",
        "url": resource["resourceType"],
        "ifNoneExist": f"identifier={NUMBERS}|{number}",
    }
    return {"fullUrl": full_url, "resource": resource, "request": request}


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def run(http: httpx.Client, name: str, key: ECKey) -> None:
    """Discover, write, read, give the tokens back."""
    told = discover(http)
    writing = ask_for_token(http, told["token_endpoint"], name, key, "system/*.cruds")
    answer = http.post("", json=first_bundle(), headers=bearer(writing)).raise_for_status()
    print("stored:", ", ".join(each["response"]["status"] for each in answer.json()["entry"]))

    reading = ask_for_token(http, told["token_endpoint"], name, key, "system/Patient.rs")
    asked = {"identifier": f"{NUMBERS}|L-1"}
    found = http.get("Patient", params=asked, headers=bearer(reading)).raise_for_status().json()
    if found["total"] != 1:
        raise DisagreementError(f"{found['total']} clients have the number, not one")
    print(f"read back: Patient/{found['entry'][0]['resource']['id']}, once")
    refused = http.post("Patient", json={"resourceType": "Patient"}, headers=bearer(reading))
    if refused.status_code != 403:
        raise DisagreementError(f"a token for reading writes: {refused.status_code}")

    for token in (writing, reading):
        endpoint = told["revocation_endpoint"]
        http.post(endpoint, data={"token": token}, headers=bearer(token)).raise_for_status()
    print("both tokens given back")


def go(name: str, file: str, base: str = "http://127.0.0.1:8000/fhir") -> int:
    key = ECKey.import_key(json.loads(Path(file).read_text()))
    with httpx.Client(base_url=base, timeout=30) as http:
        try:
            run(http, name, key)
        except (DisagreementError, httpx.HTTPError) as problem:
            print(f"DISAGREEMENT: {problem}")
            return 1
    return 0


def main(arguments: list[str]) -> int:
    match arguments:
        case ["key", file]:
            print(f"hand over {make_key(Path(file))}, keep {file}")
            return 0
        case ["go", name, file] | ["go", name, file, _]:
            return go(name, file, *arguments[3:])
    print(__doc__)
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
