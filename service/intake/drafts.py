"""What does one note say, once read? Checked by itself, before anything is looked up.

A draft holds the note with every time as a FHIR dateTime, the session's key, and a digest of the
content that does not depend on the order of rows or on how the note was sent.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any, NamedTuple

import orjson
from pydantic import ValidationError

from service.intake import limits
from service.intake.linking import system_of
from service.intake.models import Clinic, SessionNote
from service.intake.moments import MomentError, came_twice, moment, written
from service.intake.places import Findings, Path
from service.standard.codec import encode

Json = dict[str, Any]

ITEMS = ("techniques", "measures", "vitalSigns", "events", "scales")
"""The lists of a note; the order of what is in them says nothing."""

_CLOCKS = timedelta(minutes=5)
"""By how much the clinic's clock may be ahead of ours."""

_DOSES = (
    "sets",
    "strokesPerSide",
    "strokesLeft",
    "strokesRight",
    "trials",
    "repetitions",
    "minutes",
    "rest",
)


@dataclass(frozen=True, slots=True)
class Reading:
    """How notes are to be read: what the request says, and the clock."""

    clinic: Clinic
    now: datetime
    strict: bool = False
    date_format: str | None = None
    adds_up: bool = False
    """Whether a note of the same revision adds to what is stored (rows of a table)."""


@dataclass(slots=True)
class Draft:
    """A note that could be read; `content` is the note as it is kept."""

    note: SessionNote
    content: Json
    clinic: Clinic
    system: str
    value: str
    findings: Findings
    reading: Reading
    read_with: int = 0
    """How many of the findings were made in reading it."""

    def forget(self) -> None:
        """Forget what was found in looking things up, which is to be done again."""
        del self.findings.issues[self.read_with :]

    @property
    def digest(self) -> str:
        """What tells two contents apart."""
        return digest(self.content)


class Read(NamedTuple):
    """A note that was read: its draft (None where it could not be), findings, name and rows."""

    draft: Draft | None
    findings: Findings
    name: str | None
    rows: Sequence[int] = ()


def drafted(raw: Any, reading: Reading, findings: Findings) -> Draft | None:
    """The draft of a note, or None with the reasons among the findings.

    A draft with errors among its findings is not stored, but looked at further, so that all its
    faults are told at once.
    """
    try:
        note = SessionNote.model_validate(raw)
    except ValidationError as error:
        for fault in error.errors(include_url=False, include_context=False, include_input=False):
            findings.error(_path(fault["loc"]), *_told(fault["type"], fault["msg"]))
        return None
    clinic = _clinic(note, reading.clinic)
    content = _content(note)
    started = _Times(content, clinic.time_zone, reading, findings).settle()
    _check_doses(content, findings)
    _check_values(content, findings)
    system = note.session.system or system_of(clinic, "session")
    if note.session.value is None or system is None:
        text = "The session needs a number with its system (or state the clinic's `identifiers`)"
        findings.error(("session",), "required", text)
    if not started or system is None or note.session.value is None:
        return None
    settled = SessionNote.model_validate(content)
    content.pop("clinic", None)
    value, known = note.session.value, len(findings.issues)
    return Draft(settled, content, clinic, system, value, findings, reading, known)


def digest(content: Json) -> str:
    """SHA-256 of the content without its revision, whatever the order of its items."""
    sorted_content = {
        key: sorted(canonical(item) for item in value) if key in ITEMS else value
        for key, value in content.items()
        if key != "revision"
    }
    return hashlib.sha256(canonical(sorted_content).encode()).hexdigest()


def canonical(value: Any) -> str:
    """One text for equal values: names in order, numbers as written."""
    return orjson.dumps(orjson.loads(encode(_literal(value))), option=orjson.OPT_SORT_KEYS).decode()


def _literal(value: Any) -> Any:
    """Numbers as texts, so that 5.5 and 5.50 differ and no digit is lost."""
    if isinstance(value, dict):
        return {key: _literal(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_literal(inner) for inner in value]
    if isinstance(value, int | Decimal) and not isinstance(value, bool):
        return f"#{getattr(value, 'literal', value)}"
    return value


def _clinic(note: SessionNote, clinic: Clinic) -> Clinic:
    if note.clinic is None:
        return clinic
    own = {name: getattr(note.clinic, name) for name in note.clinic.model_fields_set}
    return clinic.model_copy(update={name: value for name, value in own.items() if value})


def _content(note: SessionNote) -> Json:
    found = note.model_dump(by_alias=True, exclude_none=True, exclude_defaults=True)
    content = {name: value for name, value in found.items() if value != []}
    content["revision"] = note.revision
    return content


def _check_values(content: Json, findings: Findings) -> None:
    for name in ("measures", "vitalSigns"):
        for index, item in enumerate(content.get(name, ())):
            if "value" not in item and "parts" not in item:
                findings.error((name, index, "value"), "required", "This is missing")
            elif "value" in item and "parts" in item:
                text = "A value or its parts, not both"
                findings.error((name, index, "parts"), "structure", text)


def _check_doses(content: Json, findings: Findings) -> None:
    for index, item in enumerate(content.get("techniques", ())):
        path: Path = ("techniques", index)
        for name in _DOSES:
            if name in item:
                limits.check_dose(name, item[name], findings, (*path, name))
        for place, delay in enumerate(item.get("delays", ())):
            limits.check_dose("delays", delay, findings, (*path, "delays", place))
        trials, successes = item.get("trials"), item.get("successes")
        if successes is not None and trials is not None and successes > trials:
            text = f"{successes} successes in {trials} trials are not possible"
            findings.error((*path, "successes"), "value", text)


class _Times:
    """Puts every time of a note into its final form, and judges it."""

    def __init__(
        self, content: Json, zone: str | None, reading: Reading, findings: Findings
    ) -> None:
        self._content = content
        self._zone = zone
        self._reading = reading
        self._findings = findings

    def settle(self) -> bool:
        """All times of the note; whether it is known when it began and ended."""
        start = self._settled(self._content, "start", ())
        end = self._settled(self._content, "end", ())
        if start is None or ("end" in self._content and end is None):
            return False
        latest = end or start
        if latest > self._reading.now + _CLOCKS:
            which = "end" if start <= self._reading.now + _CLOCKS else "start"
            self._findings.error((which,), "value", "The session lies in the future")
        if end is not None and end < start:
            self._findings.error(("end",), "value", "The session ends before it starts")
        elif end is not None:
            seconds = Decimal(int((end - start).total_seconds()))
            limits.check_length(Decimal(round(seconds / 60)), self._findings, ("end",))
        self._settle_items(start, latest)
        return True

    def _settle_items(self, start: datetime, latest: datetime) -> None:
        for name in ITEMS:
            for index, item in enumerate(self._content.get(name, ())):
                path = (name, index)
                found = {key: self._settled(item, key, path) for key in ("start", "end", "at")}
                first, last = found["start"], found["end"]
                if first is not None and last is not None and last < first:
                    self._findings.error((*path, "end"), "value", "It ends before it starts")
                for key, at in found.items():
                    if at is None:
                        continue
                    if at > self._reading.now + _CLOCKS:
                        self._findings.error((*path, key), "value", "This lies in the future")
                    elif not start <= at <= max(latest, start):
                        self._findings.warning(
                            (*path, key), "business-rule", "This lies outside the session"
                        )

    def _settled(self, holder: Json, name: str, path: Path) -> datetime | None:
        text = holder.get(name)
        if text is None:
            return None
        date_format = self._reading.date_format
        try:
            found = moment(text, self._zone, date_format)
            if came_twice(text, self._zone, date_format):
                self._findings.warning(
                    (*path, name),
                    "business-rule",
                    f"{text!r} came twice as the clocks were put back: the first is taken",
                )
            found.astimezone(UTC)
        except (MomentError, OverflowError) as error:
            self._findings.error((*path, name), "value", str(error))
            return None
        holder[name] = written(found)
        return found


def _path(loc: tuple[int | str, ...]) -> Path:
    # Below a union pydantic names the branch, in brackets or by the type: not part of the note.
    return tuple(step for step in loc if isinstance(step, int) or step[:1].islower())


def _told(kind: str, message: str) -> tuple[str, str]:
    if kind == "missing":
        return "required", "This is missing"
    if kind == "extra_forbidden":
        return "structure", "There is no such field"
    return ("structure" if kind.endswith("_type") else "value"), message.removeprefix(
        "Value error, "
    )


def keys(content: Mapping[str, Any], name: str) -> list[str]:
    """A name for every item of a list that stays the same whatever the order of the items."""
    items = content.get(name, [])
    base = [item_key(name, item) for item in items]
    order = sorted(range(len(items)), key=lambda index: (base[index], canonical(items[index])))
    seen: dict[str, int] = {}
    found = [""] * len(items)
    for index in order:
        seen[base[index]] = seen.get(base[index], 0) + 1
        times = seen[base[index]]
        found[index] = base[index] if times == 1 else f"{base[index]}~{times}"
    return found


def item_key(name: str, item: Mapping[str, Any]) -> str:
    """What an item is about: its number, or what and where."""
    if "id" in item:
        return f"id:{item['id']}"
    parts = {
        "techniques": ("technique", "order", "region", "side", "stimulus"),
        "measures": ("measure", "region", "side", "when", "at", "by"),
        "vitalSigns": ("measure", "region", "side", "when", "at", "by"),
        "events": ("event", "during", "at"),
        "scales": ("scale",),
    }[name]
    return "|".join(_name(item[part]) for part in parts if part in item)


def _name(value: Any) -> str:
    if isinstance(value, dict):
        return "/".join(str(inner) for key, inner in sorted(value.items()) if key != "display")
    return str(value)
