"""Which Questionnaire does a response answer? The one handed over, one of ours, or a stored one.

R4: QuestionnaireResponse.questionnaire is a canonical, `url` or `url|version`, or `#id` of a
contained one.
"""

from __future__ import annotations

from typing import Any

from service.errors import HyoidError, Invalid
from service.rest.call import Call
from service.standard.codec import decode_resource, same
from service.standard.meta import unstamped
from service.standard.questionnaires import find
from service.standard.questionnaires.identity import escaped
from service.standard.search_query import parse_search
from service.store.connection import Connection
from service.store.searching import find as find_stored

_WHERE = "QuestionnaireResponse.questionnaire"
_MOST_VERSIONS = 20

Resource = dict[str, Any]


def form_for(
    connection: Connection, call: Call, response: Resource, handed: Resource | None
) -> Resource:
    """The Questionnaire. Raises Invalid (422) where it cannot be told which, or it is not held."""
    canonical = response.get("questionnaire")
    if handed is not None:
        _require_fitting(canonical, handed)
        return handed
    if canonical is None:
        text = "The response does not say which Questionnaire it answers; hand it over"
        raise _refusal(text, "required")
    if canonical.startswith("#"):
        return _contained(response, canonical[1:])
    return find(canonical) or _stored(connection, call, canonical)


def _require_fitting(canonical: str | None, handed: Resource) -> None:
    """It must be the one that is answered, and a form of ours must be as we have it."""
    url, version = handed.get("url"), handed.get("version")
    wanted, _, wanted_version = (canonical or "").partition("|")
    is_other = bool(wanted) and not wanted.startswith("#") and wanted != url
    if is_other or (wanted_version and wanted_version != version):
        raise _refusal("The Questionnaire handed over is not the one that is answered", "value")
    own = find(f"{url}|{version}") if url and version else None
    if own is not None and not same(_bare(own), _bare(handed)):
        text = f"The Questionnaire handed over has the name {url}|{version} of one of ours, but"
        raise _refusal(f"{text} is another", "conflict")


def _bare(form: Resource) -> Resource:
    kept = unstamped(form)
    kept.pop("id", None)
    kept.pop("text", None)
    return kept


def _contained(response: Resource, key: str) -> Resource:
    for each in response.get("contained") or ():
        if each.get("resourceType") == "Questionnaire" and each.get("id") == key:
            return dict(each)
    raise _refusal("The response contains no such Questionnaire", "not-found")


def _stored(connection: Connection, call: Call, canonical: str) -> Resource:
    url, _, version = canonical.partition("|")
    pairs = [("url", escaped(url)), *([("version", escaped(version))] if version else [])]
    query = parse_search("Questionnaire", pairs, strict=True, base=f"{call.base}/")
    stored = find_stored(connection, call.caller, query, limit=_MOST_VERSIONS)
    forms = [decode_resource(each.body or b"") for each in stored]
    active = [form for form in forms if form.get("status") == "active"] or forms
    if len(active) == 1:
        return active[0]
    if not active:
        text = f"The Questionnaire {canonical[:200]} is not held here; hand it over with the"
        raise _refusal(f"{text} response, as questionnaire", "not-found")
    versions = ", ".join(sorted(str(form.get("version", "none")) for form in active))
    raise _refusal(
        f"{len(active)} Questionnaires are {canonical[:200]} (versions {versions[:200]}); the"
        " response must say which it answers",
        "multiple-matches",
    )


def _refusal(text: str, code: str) -> HyoidError:
    return Invalid(text, code=code, expression=_WHERE, status=422)
