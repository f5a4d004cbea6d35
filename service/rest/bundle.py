"""batch and transaction: a Bundle posted to the base URL. (R4 http page, #transaction)"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from http import HTTPStatus
from typing import Any

from service.errors import HyoidError, TooLarge
from service.rest.audit import require_audit_kept
from service.rest.call import Answer, Call, Service
from service.rest.cautions import with_outcomes
from service.rest.entry_call import entry_call, path_of
from service.rest.negotiation import require_json_body
from service.rest.permission import permit, permit_entry
from service.rest.recorded import cleaned
from service.rest.responses import refused
from service.rest.routing import Interaction, interaction_of
from service.rest.searchset import joined
from service.rest.spending import Perform, Spending
from service.rest.transaction import perform_transaction
from service.rest.weights import weight_of, weight_of_entries
from service.rest.write import require_type
from service.standard.bundles import PlannedEntry, plan
from service.standard.codec import decode_resource, encode
from service.standard.profiles import check
from service.store.audit.trail import current_trail

Handler = Callable[[Service, Call, Interaction], Answer]

_NOTED = 100
"""So many of its entries are named in the audit log, as far as there is room."""


def process(
    handlers: Mapping[str, Handler], service: Service, call: Call, asked: Interaction
) -> Answer:
    """POST to the base URL; `handlers` answer the entries of a batch, and the reads of both."""
    if "content-type" in call.headers:
        require_json_body(call.headers["content-type"])
    bundle = decode_resource(call.body, max_bytes=service.settings.max_body)
    require_type(bundle, "Bundle")
    _require_few(bundle, service.settings.max_entries)
    entries = plan(bundle, call.base)
    _note(bundle["type"], entries)
    call.owe(weight_of_entries(bundle["type"], entries) - weight_of(asked))
    spending = Spending(service.settings, call)

    def perform(entry: Call) -> Answer:
        wanted = interaction_of(entry.method, entry.path)
        permit(entry, wanted)
        return handlers[wanted.name](service, entry, wanted)

    if bundle["type"] == "transaction":
        for entry in entries:
            asked = interaction_of(entry.method, path_of(entry.url))
            require_audit_kept(asked, conditional=entry.if_none_exist is not None)
            permit_entry(call.caller, asked, entry)
        check(bundle)
        answers = perform_transaction(service, call, entries, perform, spending)
        with_outcomes(service, call, answers)
    else:
        check(_without_resources(bundle))
        answers = {entry.index: _in_batch(call, entry, perform, spending) for entry in entries}
    return Answer(200, _answered(call, bundle["type"], entries, answers))


def _note(kind: str, entries: list[PlannedEntry]) -> None:
    """Put on record what is asked in it."""
    trail = current_trail()
    if trail is None:
        return
    if trail.interaction == "transaction":
        trail.interaction = kind
    asked = (f"{entry.method} {'/'.join(path_of(entry.url))}" for entry in entries[:_NOTED])
    trail.query = cleaned(" ".join((trail.query, *asked)))


def _require_few(bundle: dict[str, Any], most: int) -> None:
    entries = bundle.get("entry")
    if isinstance(entries, list) and len(entries) > most:
        text = f"The Bundle has {len(entries)} entries, more than the {most} of one request"
        raise TooLarge(text, expression="Bundle.entry")


def _in_batch(call: Call, entry: PlannedEntry, perform: Perform, spending: Spending) -> Answer:
    """One entry by itself: what refuses it does not touch the others."""
    try:
        if entry.refusal is not None:
            raise entry.refusal
        asked = entry_call(call, entry)
        if entry.writes:
            return spending.keep(perform(asked))
        return spending.read(perform, asked)
    except HyoidError as error:
        return spending.keep(refused(error))


def _without_resources(bundle: dict[str, Any]) -> dict[str, Any]:
    """The Bundle as such: in a batch every resource is checked with its own entry.

    Entries that are no good have refusals of their own.
    """
    return {key: value for key, value in bundle.items() if key != "entry"}


def _answered(
    call: Call, kind: str, entries: list[PlannedEntry], answers: dict[int, Answer]
) -> bytes:
    """The Bundle; takes the answers away as it goes, so that none is held twice."""
    prefer = call.headers.get("prefer", "")
    with_resource = "return=representation" in prefer
    with_outcome = "return=OperationOutcome" in prefer
    parts = [
        _response(entry, answers.pop(entry.index), with_resource, with_outcome)
        for entry in sorted(entries, key=lambda entry: entry.index)
    ]
    return joined({"resourceType": "Bundle", "type": f"{kind}-response"}, parts)


def _response(
    entry: PlannedEntry, answer: Answer, with_resource: bool, with_outcome: bool
) -> bytes:
    """An entry of the answer: outcome of a refusal, resource of a read, either where wished."""
    response: dict[str, Any] = {"status": f"{answer.status} {HTTPStatus(answer.status).phrase}"}
    headers = answer.headers
    if "Location" in headers:
        response["location"] = headers["Location"]
    if "ETag" in headers:
        response["etag"] = headers["ETag"]
    if answer.updated is not None:
        response["lastModified"] = answer.updated
    parts = []
    failed = answer.status >= 400
    if answer.body and not failed and (with_resource or not entry.writes):
        parts.append(b'"resource":' + answer.body)
    head = encode(response)
    if answer.body and (failed or (with_outcome and entry.writes)):
        head = b"".join((head[:-1], b',"outcome":', answer.body, b"}"))
    parts.append(b'"response":' + head)
    return b"{" + b",".join(parts) + b"}"
