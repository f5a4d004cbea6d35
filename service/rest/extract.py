"""$extract: the Observations that follow from an answered form.

Structured Data Capture 4.0, OperationDefinition QuestionnaireResponse-extract:
`QuestionnaireResponse/$extract` with the response as the body or in Parameters, and
`QuestionnaireResponse/[id]/$extract`. The answer is a transaction Bundle, or Parameters with
`return` and `issues` where there is something to tell. Nothing is stored, unless our parameter
`store` is true: then the transaction is processed, and `return` is what comes of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.errors import (
    Conflict,
    Invalid,
    Issue,
    NotSupported,
    outcome,
)
from service.rest.call import Answer, Call, Service
from service.rest.extracted_before import left_as_they_are
from service.rest.forms import form_for
from service.rest.parameters import given_with, truth
from service.rest.routing import Interaction
from service.rest.storing import require_storing, store_entries
from service.standard.codec import decode_resource, encode, same
from service.standard.meta import unstamped
from service.standard.profiles import check
from service.standard.questionnaires import Extraction, extract
from service.store.current import current_version
from service.store.store import present

_KIND = "QuestionnaireResponse"

Resource = dict[str, Any]


@dataclass(slots=True)
class _Given:
    """What was handed to the operation."""

    response: Resource | None = None
    questionnaire: Resource | None = None
    store: bool = False


def extract_observations(service: Service, call: Call, asked: Interaction) -> Answer:
    """QuestionnaireResponse/$extract and QuestionnaireResponse/[id]/$extract."""
    given = _given(service, call)
    if given.store:
        require_storing(call, "$extract")
    response = _response(call, asked, given)
    with call.reading(snapshot=True) as connection:
        form = form_for(connection, call, response, given.questionnaire)
    found = extract(response, form)
    if not found.count:
        return _answer(None, found.issues)
    if not given.store:
        return _answer(encode(found.bundle()), found.issues)
    return _stored(service, call, asked, response, found)


def _given(service: Service, call: Call) -> _Given:
    found = _Given()
    for name, value in given_with(service, call, "questionnaire-response"):
        if name == "store":
            found.store = truth(value, name)
        elif name == "questionnaire-response":
            found.response = _resource(name, value, _KIND)
        elif name == "questionnaire":
            found.questionnaire = _resource(name, value, "Questionnaire")
        else:
            raise NotSupported(
                "$extract takes questionnaire-response, questionnaire and store, not"
                f" {name[:40]!r}",
                location=f"http.{name[:40]}",
            )
    return found


def _resource(name: str, value: Any, kind: str) -> Resource:
    if not isinstance(value, dict) or value.get("resourceType") != kind:
        raise Invalid(f"{name} is a {kind}", code="value", expression=f"Parameters: {name}")
    check(value)
    return value


def _response(call: Call, asked: Interaction, given: _Given) -> Resource:
    if asked.id is not None:
        if given.response is not None:
            text = "The response is the one at this address; none is to be handed over"
            raise Invalid(text, expression="Parameters: questionnaire-response")
        stored = _in_store(call, asked.id)
        assert stored is not None
        return stored
    if given.response is None:
        text = "A QuestionnaireResponse is needed, as the body or as questionnaire-response"
        raise Invalid(text, code="required", expression="Parameters: questionnaire-response")
    return given.response


def _in_store(call: Call, key: str, *, needed: bool = True) -> Resource | None:
    """The response of this id. Raises NotFound where it is needed and not there, Gone where it
    was deleted."""
    with call.reading() as connection:
        found = current_version(connection, call.caller, _KIND, key)
    if found is None and not needed:
        return None
    return decode_resource(present(found, f"{_KIND}/{key}").body or b"")


def _stored(
    service: Service, call: Call, asked: Interaction, response: Resource, found: Extraction
) -> Answer:
    """Process the transaction as if the caller had posted it."""
    entries = list(found.entries)
    if asked.id is None and "id" in response:
        entries = [*_with_response(call, response), *entries]
    issues = [*found.issues, *left_as_they_are(call, found.entries)]
    done = store_entries(service, call, entries)
    return _answer(done.body, tuple(issues))


def _with_response(call: Call, response: Resource) -> list[Resource]:
    """The response goes into the store with what is derived from it, unless it is there."""
    key = response["id"]
    stored = _in_store(call, key, needed=False)
    if stored is None:
        reference = f"{_KIND}/{key}"
        request = {"method": "PUT", "url": reference, "ifNoneMatch": "*"}
        url = f"{call.base}/{reference}"
        return [{"fullUrl": url, "resource": response, "request": request}]
    if not same(unstamped(stored), unstamped(response)):
        raise Conflict(
            f"{_KIND}/{key} is stored with another content; what is extracted must follow from it",
            expression=_KIND,
        )
    return []


def _answer(returned: bytes | None, issues: tuple[Issue, ...]) -> Answer:
    if returned is not None and not issues:
        return Answer(200, returned)
    parts = [] if returned is None else [b'{"name":"return","resource":' + returned + b"}"]
    if issues:
        parts.append(b'{"name":"issues","resource":' + encode(outcome(issues)) + b"}")
    head = b'{"resourceType":"Parameters","parameter":['
    return Answer(200, head + b",".join(parts) + b"]}")
