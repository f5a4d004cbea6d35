"""What do stored bytes refer to? FHIR R4, References, section Literal References."""

from __future__ import annotations

import pytest

from service.standard.codec import encode
from service.standard.mentions import local_name, referred

BASE = "https://clinic.example/fhir"


@pytest.mark.parametrize(
    ("reference", "name"),
    [
        ("Patient/1", ("Patient", "1")),
        ("Patient/1/_history/2", ("Patient", "1")),
        (f"{BASE}/Patient/1", ("Patient", "1")),
        ("https://other.example/fhir/Patient/1", None),
        ("#inside", None),
        ("urn:uuid:0f0f", None),
        ("Patient/1/2", None),
        ("Patient?identifier=1", None),
    ],
)
def test_local_name(reference: str, name: tuple[str, str] | None) -> None:
    assert local_name(reference, BASE) == name


def test_texts_are_no_references() -> None:
    body = encode(
        {
            "resourceType": "Basic",
            "note": '"reference":"Patient/no"',
            "subject": {"reference": "Patient/yes"},
            "author": {"reference": f"{BASE}/Practitioner/p"},
            "other": {"reference": "http://x.example/Patient/no"},
        }
    )
    assert referred(body, BASE) == [("Patient", "yes"), ("Practitioner", "p")]
