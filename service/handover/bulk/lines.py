"""What are the lines of a file of an export? Newline-delimited JSON, a piece at a time.

Bulk Data Access 3.0.0, bulk data output file; http://hl7.org/fhir/R4/nd-json.html. The lines are
the stored bytes; only `_elements` needs a resource to be read.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

from service.caller import Caller
from service.errors import outcome
from service.handover.bulk.listing import DELETIONS
from service.handover.bulk.request import BulkRequest
from service.standard.codec import decode_resource, encode
from service.standard.definitions import definitions
from service.standard.searching.query import Shape
from service.standard.searching.subset import subset
from service.store.export_bodies import names, pieces, require_visible
from service.store.export_files import ExportFile, unpack
from service.store.store import Store

_RELATIVE = b'"url":"Binary/'
"""In stored bytes an Attachment that lies here; within a text the quotes would be escaped."""


def lines_of(
    store: Store, caller: Caller, request: BulkRequest, file: ExportFile, base: str
) -> Iterator[bytes]:
    """Whole lines, some of them at a time; addresses of attachments below the FHIR base URL `base`.

    Raises Forbidden at once where the caller does not see all of it (any more), and later where
    that changes on the way.
    """
    if file.kind == "error":
        return iter([b"".join(encode(outcome([issue])) + b"\n" for issue in request.ignored)])
    seqs = unpack(file.packed)
    require_visible(store, caller, file.type, seqs)
    if file.kind == "deleted":
        return _deletions(names(store, caller, file.type, seqs, DELETIONS), file.type)
    return _resources(pieces(store, caller, file.type, seqs), request, file.type, base)


def _deletions(found: Iterator[list[str]], resource_type: str) -> Iterator[bytes]:
    for ids in found:
        entries = [
            {"request": {"method": "DELETE", "url": f"{resource_type}/{id_}"}} for id_ in ids
        ]
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
        yield encode(bundle) + b"\n"


def _resources(
    found: Iterator[list[bytes]], request: BulkRequest, resource_type: str, base: str
) -> Iterator[bytes]:
    absolute = b'"url":"' + encode(base)[1:-1] + b"/Binary/"
    elements = request.elements_of(resource_type)
    shape = Shape(elements=elements)
    attaches = _attaches(resource_type)
    for bodies in found:
        if elements:
            bodies = [encode(subset(decode_resource(body), shape)) for body in bodies]
        bodies.append(b"")
        piece = b"\n".join(bodies)
        yield piece.replace(_RELATIVE, absolute) if attaches else piece


@cache
def _attaches(path: str) -> bool:
    """Whether there is an Attachment in the resources of a type; extensions are left aside."""
    elements = definitions().elements(path).values()
    return any(
        each.type == "Attachment"
        or (each.type == "BackboneElement" and each.children != path and _attaches(each.children))
        for each in elements
    )
