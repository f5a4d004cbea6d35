"""$document: a client's document, for another system to load or for a person to read.

R4, OperationDefinition Composition-document: `Composition/[id]/$document`, and at the type with
`id`. Ours: `POST Composition/$document` with `patient` and `plan` writes the Composition from what
is stored, then answers with its document (mappings/operations/Composition-document.json).
The answer is the document Bundle itself, or a page (`text/html`), or that page as PDF.
"""

from __future__ import annotations

import time

from service.errors import MethodNotAllowed, NotAcceptable, NotSupported
from service.handover.document import Document, document, new_identifier
from service.handover.document_page import page, policy
from service.handover.document_pdf import pdf
from service.rest.call import Answer, Call, Service
from service.rest.document_keeping import keep
from service.rest.document_question import Asked, asked_of
from service.rest.document_writing import write_document
from service.rest.negotiation import Form, document_form
from service.rest.parameters import handed
from service.rest.responses import location
from service.rest.routing import Interaction
from service.standard.meta import instant
from service.store.current import current_version
from service.store.store import present

_HTML = "text/html; charset=utf-8"
_PDF = "application/pdf"


def show_document(service: Service, call: Call, asked: Interaction) -> Answer:
    """Composition/[id]/$document and Composition/$document."""
    form = document_form(call.headers.get("accept", ""), call.parameter("_format"))
    if form != "json" and call.in_bundle:
        raise NotAcceptable(f"An entry of a Bundle is answered as JSON, not as {form}")
    given = asked_of(handed(service, call), asked.id, call.base)
    if given.composition is None or given.persist:
        _require_writing(call, given)
    status = 200
    if given.composition is None:
        found, written = write_document(service, call, given)
        status = 201 if written else 200
    else:
        key = given.composition.removeprefix("Composition/")
        with call.reading(snapshot=True) as connection:
            stored = current_version(connection, call.caller, "Composition", key)
            found = document(connection, call.caller, present(stored, given.composition), call.base)
    return _answer(service, call, found, given, form, status)


def _require_writing(call: Call, given: Asked) -> None:
    what = "with persist" if given.composition else "of a plan"
    if call.method != "POST":
        raise MethodNotAllowed(
            f"$document {what} stores something: it takes POST", headers={"Allow": "POST"}
        )
    if call.in_transaction:
        raise NotSupported(f"$document {what} stores by itself, not within a transaction")


def _answer(
    service: Service, call: Call, found: Document, given: Asked, form: Form, status: int
) -> Answer:
    identifier = new_identifier()
    timestamp = instant(time.time_ns() // 1000)
    headers: dict[str, str] = {}
    body = found.bundle(identifier, timestamp) if form == "json" or given.persist else b""
    if given.persist:
        kept = keep(service, call, found, body, identifier, timestamp)
        headers["Location"] = location(call.base, kept)
    elif status == 201:
        headers["Location"] = location(call.base, found.stored)
    if form == "json":
        return Answer(status, body, headers)
    shown = page(found, identifier, timestamp)
    name = f'inline; filename="document-{found.stored.id}.{form}"'
    headers |= {"Content-Disposition": name, "Content-Security-Policy": policy()}
    headers |= {"Referrer-Policy": "no-referrer", "Vary": "Accept"}
    if form == "pdf":
        return Answer(status, pdf(shown), headers, media_type=_PDF)
    return Answer(status, shown.encode(), headers, media_type=_HTML)
