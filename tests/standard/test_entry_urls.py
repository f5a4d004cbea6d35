"""URLs of Bundle entries. Source: R4, RESTful API, its table of interactions and URLs."""

from __future__ import annotations

import pytest

from service.errors import HyoidError, Malformed, NotFound
from service.standard.entry_urls import EntryUrl, parse_url

BASE = "http://localhost:8000/fhir"
WHERE = "Bundle.entry[0].request.url"


@pytest.mark.parametrize(
    ("url", "wanted"),
    [
        ("Patient", EntryUrl("type", "Patient")),
        ("Patient?identifier=a|b", EntryUrl("type", "Patient", query="identifier=a|b")),
        ("Patient?", EntryUrl("type", "Patient", query="")),
        ("Patient/1", EntryUrl("instance", "Patient", "1")),
        ("/Patient/1", EntryUrl("instance", "Patient", "1")),
        (f"{BASE}/Patient/1", EntryUrl("instance", "Patient", "1")),
        ("Patient/1?_summary=true", EntryUrl("instance", "Patient", "1", query="_summary=true")),
        ("Patient/1/_history/2", EntryUrl("version", "Patient", "1", "2")),
        ("Patient/1/_history", EntryUrl("history", "Patient", "1")),
        ("Patient/_history?_count=1", EntryUrl("history", "Patient", query="_count=1")),
        ("_history", EntryUrl("history")),
        ("$export", EntryUrl("operation", operation="$export")),
        ("Observation/$lastn", EntryUrl("operation", "Observation", operation="$lastn")),
        ("Patient/1/$everything", EntryUrl("operation", "Patient", "1", operation="$everything")),
        (
            "Patient/1/Observation?code=x",
            EntryUrl("search", "Observation", "1", compartment="Patient", query="code=x"),
        ),
        ("metadata", EntryUrl("system", operation="metadata")),
        ("?_type=Patient", EntryUrl("system", query="_type=Patient")),
        ("Patient?url=http://x/y?z", EntryUrl("type", "Patient", query="url=http://x/y?z")),
    ],
)
def test_url_is_taken_apart(url: str, wanted: EntryUrl) -> None:
    assert parse_url(url, BASE, WHERE) == wanted


@pytest.mark.parametrize(
    ("url", "kind"),
    [
        ("Bogus/1", NotFound),
        ("patient/1", NotFound),
        ("Patient/", Malformed),
        ("Patient//1", Malformed),
        ("//Patient/1", NotFound),
        ("Patient/1/", Malformed),
        ("Patient/a b", Malformed),
        ("Patient/" + "x" * 65, Malformed),
        ("Patient/1/_history/2/3", Malformed),
        ("Patient/1/_history/", Malformed),
        ("Patient/_search", Malformed),
        ("Patient/1/Bogus", Malformed),
        ("Patient/../Patient", Malformed),
        ("Patient/1/$", Malformed),
        ("http://elsewhere.example/fhir/Patient/1", Malformed),
        ("http://localhost:8000/fhirPatient/1", Malformed),
        ("urn:uuid:c757873d-ec9a-4326-a141-556f43239520", Malformed),
        ("javascript:alert(1)", Malformed),
        ("Patient?" + "x" * 9_000, Malformed),
    ],
)
def test_what_is_no_url_of_an_interaction_is_refused(url: str, kind: type[HyoidError]) -> None:
    with pytest.raises(kind) as caught:
        parse_url(url, BASE, WHERE)
    assert caught.value.issues[0].expression == WHERE


def test_absolute_url_is_refused_where_the_base_is_not_known() -> None:
    with pytest.raises(Malformed):
        parse_url(f"{BASE}/Patient/1", "", WHERE)
