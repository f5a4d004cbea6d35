"""Is a session new, the same again, corrected, or refused? Decided from what is stored of it.

Once is once: the clinic's number is the key, the revision says which content is newer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from service.intake.drafts import ITEMS, Draft, canonical, item_key

Json = dict[str, Any]

Decision = Literal["stored", "unchanged", "corrected", "refused"]


@dataclass(frozen=True, slots=True)
class Stored:
    """What is stored of a session: the Encounter's id and version, and what it was made from.

    `is_ours`: it came through the intake.
    """

    id: str
    vid: int
    revision: int | None
    content: str | None
    client: str | None
    note: Json | None = None
    targets: tuple[str, ...] = ()
    withdrawn: bool = False
    is_ours: bool = True


def chosen(draft: Draft, stored: Sequence[Stored], client: str) -> Stored | None:
    """Which of the sessions under this number is meant: the one of the same client.

    None where there is none, or, with a refusal among the findings, where it cannot be told.
    """
    of_client = [each for each in stored if each.client == client]
    among = [each for each in of_client if each.is_ours] or of_client or stored
    if len(among) <= 1:
        return among[0] if among else None
    if of_client:
        names = " and ".join(f"Encounter/{each.id}" for each in among)
        text = f"Which is meant? {names} have this number: change it through the FHIR interface"
        draft.findings.error(("session",), "conflict", text)
    else:
        names = " and ".join(str(each.client or f"Encounter/{each.id}") for each in among)
        text = f"This number is stored for {names}, not for {client}: send it under another number"
        draft.findings.error(("client",), "conflict", text)
    return None


def decide(draft: Draft, stored: Stored | None, client: str) -> Decision:
    """What is to be done; a refusal is among the draft's findings. May add to `draft.content`."""
    findings = draft.findings
    if stored is None:
        return "stored"
    if not stored.is_ours or stored.revision is None:
        text = (
            f"Encounter/{stored.id} has this number but did not come from here:"
            " change it through the FHIR interface"
        )
        findings.error(("session",), "conflict", text)
        return "refused"
    if draft.note.revision < stored.revision:
        text = f"Revision {draft.note.revision} came late: revision {stored.revision} is stored"
        findings.error(("revision",), "conflict", text)
        return "refused"
    if stored.client is not None and stored.client != client:
        text = (
            f"This session is stored for {stored.client}, not for {client}: withdraw it there and"
            " send it under another number"
        )
        findings.error(("client",), "conflict", text)
        return "refused"
    if draft.note.revision > stored.revision:
        return "corrected"
    if draft.digest == stored.content:
        return "unchanged"
    if draft.reading.adds_up and stored.note is not None and not stored.withdrawn:
        return _added(draft, stored)
    _tell_difference(draft, stored)
    return "refused"


def _tell_difference(draft: Draft, stored: Stored) -> None:
    names = sorted(
        name
        for name in {*draft.content, *(stored.note or {})}
        if not _same(name, draft.content.get(name), (stored.note or {}).get(name))
    )
    different = ", ".join(names) or "content"
    draft.findings.error(
        ("revision",),
        "conflict",
        f"Revision {draft.note.revision} is stored with other content ({different}):"
        " a correction needs a higher revision",
    )


def _same(name: str, ours: Any, theirs: Any) -> bool:
    if name in ITEMS:
        return sorted(map(canonical, ours or [])) == sorted(map(canonical, theirs or []))
    return canonical(ours) == canonical(theirs)


def _added(draft: Draft, stored: Stored) -> Decision:
    """Rows of the same revision add up; one that contradicts what is stored is refused."""
    assert stored.note is not None
    merged = dict(stored.note)
    changed = False
    for name, value in draft.content.items():
        if name in ITEMS:
            items, more = _union(draft, name, stored.note.get(name, []))
            changed |= more
            merged[name] = items
        elif name not in stored.note:
            merged[name], changed = value, True
        elif canonical(stored.note[name]) != canonical(value):
            _contradicted(draft, (name,), canonical(stored.note[name]))
    if draft.findings.refused:
        return "refused"
    draft.content.clear()
    draft.content.update(merged)
    return "corrected" if changed else "unchanged"


def _union(draft: Draft, name: str, theirs: list[Json]) -> tuple[list[Json], bool]:
    """Ours in their places, so that findings tell the right row, then what only they have."""
    left = list(theirs)
    known = {item_key(name, item) for item in theirs}
    added = False
    for index, item in enumerate(draft.content[name]):
        text = canonical(item)
        place = next((at for at, one in enumerate(left) if canonical(one) == text), None)
        if place is not None:
            del left[place]
        elif item_key(name, item) in known:
            _contradicted(draft, (name, index), _of_key(name, item, theirs))
        else:
            added = True
    return [*draft.content[name], *left], added


def _of_key(name: str, item: Json, theirs: list[Json]) -> str:
    return next(canonical(one) for one in theirs if item_key(name, one) == item_key(name, item))


def _contradicted(draft: Draft, path: tuple[str | int, ...], there: str) -> None:
    draft.findings.error(
        path,
        "conflict",
        f"Revision {draft.note.revision} is stored with {_plain(there)[:200]} here:"
        " a correction needs a higher revision",
    )


def _plain(text: str) -> str:
    return text.replace('"#', "").replace('"', "").strip("{}")


def stored_of(
    encounter: Mapping[str, Any],
    vid: int,
    provenance: Mapping[str, Any] | None,
    note: Json | None,
    *,
    is_ours: bool,
) -> Stored:
    """What the resources of a session tell about it."""
    revision: int | None = None
    content: str | None = None
    for each in encounter.get("extension", ()):
        if str(each.get("url", "")).endswith("/session-revision"):
            for part in each.get("extension", ()):
                if part.get("url") == "revision":
                    revision = part.get("valuePositiveInt")
                elif part.get("url") == "content":
                    content = part.get("valueString")
    targets = tuple(
        each["reference"] for each in (provenance or {}).get("target", ()) if "reference" in each
    )
    return Stored(
        id=encounter["id"],
        vid=vid,
        revision=revision,
        content=content,
        client=encounter.get("subject", {}).get("reference"),
        note=note,
        targets=targets,
        withdrawn=encounter.get("status") == "entered-in-error",
        is_ours=is_ours,
    )
