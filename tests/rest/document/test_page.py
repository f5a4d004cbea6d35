"""The document for a person: negotiation, the page, and the PDF that pypdf reads."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable

import httpx
import pytest

from tests.rest.document.asking import attest, foreign, page, write
from tests.rest.documents import composition_of
from tests.rest.putting import put_all


def test_page_shows_the_same_document(fhir: httpx.Client, plan: str) -> None:
    draft = composition_of(write(fhir, plan).json())
    answer = page(
        fhir, draft["id"], "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"
    )
    assert answer.headers["Content-Type"] == "text/html; charset=utf-8"
    policy = answer.headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    style = answer.text.partition("<style>")[2].partition("</style>")[0]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert digest in policy
    assert "Preliminary: no therapist has attested" in answer.text
    assert "&lt;script&gt;alert(1)" in answer.text
    assert "<script" not in answer.text
    titles = [section["title"] for section in draft["section"]]
    places = [answer.text.index(f">{title}</h2>") for title in ["Client", "Overview", *titles]]
    assert places == sorted(places)


def test_page_names_who_attested(fhir: httpx.Client, plan: str) -> None:
    draft = composition_of(write(fhir, plan).json())
    attest(fhir, plan, draft)
    text = page(fhir, draft["id"]).text
    assert "Final." in text
    assert "Attested (professional) by Ada Okoro, 30 April 2026, 10:00." in text
    assert "Preliminary" not in text


def test_page_of_a_foreign_composition_is_harmless(fhir: httpx.Client, plan: str) -> None:
    put_all(fhir, [foreign(plan)])
    text = page(fhir, f"{plan}-theirs").text
    assert "Theirs &lt;i&gt;" in text
    assert 'href="https://x.example/" rel="noopener noreferrer"' in text
    assert "style=" not in text
    assert "Client" in text


@pytest.mark.parametrize(
    ("accept", "wanted", "kind"),
    [
        ("application/fhir+json", "", "application/fhir+json"),
        ("*/*", "", "application/fhir+json"),
        ("*/*", "?_format=text/html", "text/html; charset=utf-8"),
        ("text/html;q=0.2, application/fhir+json", "", "application/fhir+json"),
        ("text/html, application/fhir+json;q=0.9", "", "text/html; charset=utf-8"),
        ("image/png", "", None),
        ("*/*", "?_format=image/png", None),
        ("text/html;q=0", "", None),
    ],
)
def test_form_is_negotiated(
    fhir: httpx.Client, plan: str, accept: str, wanted: str, kind: str | None
) -> None:
    put_all(fhir, [foreign(plan)])
    answer = fhir.get(f"Composition/{plan}-theirs/$document{wanted}", headers={"Accept": accept})
    assert answer.status_code == (406 if kind is None else 200)
    if kind is not None:
        assert answer.headers["Content-Type"] == kind


def test_other_addresses_offer_json_only(fhir: httpx.Client, plan: str) -> None:
    assert fhir.get(f"Patient/c-{plan}", headers={"Accept": "text/html"}).status_code == 406


@pytest.fixture
def read_pdf() -> Callable[[bytes], str]:
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError):
        pytest.skip("WeasyPrint, or Pango which it draws with, is not installed")
    pypdf = pytest.importorskip("pypdf")

    def read(body: bytes) -> str:
        from io import BytesIO

        pages = pypdf.PdfReader(BytesIO(body)).pages
        return " ".join(" ".join(one.extract_text() for one in pages).split())

    return read


def test_pdf_holds_the_text(
    fhir: httpx.Client, plan: str, read_pdf: Callable[[bytes], str]
) -> None:
    draft = composition_of(write(fhir, plan).json())
    answer = page(fhir, draft["id"], "application/pdf")
    assert answer.status_code == 200, answer.text[:500]
    assert answer.headers["Content-Type"] == "application/pdf"
    text = read_pdf(answer.content)
    for words in ("Coughs on thin fluids", "Swallow delay", "9.15 s (median of 4)", "improving"):
        assert words in text, text
    assert "<script>alert(1)</script>" in text


def test_capability_statement_claims_it(fhir: httpx.Client) -> None:
    statement = fhir.get("metadata").json()
    composition = next(r for r in statement["rest"][0]["resource"] if r["type"] == "Composition")
    claimed = {o["name"]: o["definition"] for o in composition["operation"]}
    assert claimed["document"] == "http://hl7.org/fhir/OperationDefinition/Composition-document"
