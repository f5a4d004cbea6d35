"""What is in the body of a post? One note, several, or a clinic with its notes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from pydantic import ValidationError

from service.caller import Caller
from service.errors import Invalid, Issue, Malformed
from service.intake.answers import SessionAnswer
from service.intake.drafts import Read, Reading, drafted
from service.intake.meant import require_sight
from service.intake.models import Clinic
from service.intake.moments import MomentError, zone
from service.intake.places import Findings, Path, Pointers
from service.intake.sessions import Entry, batches, store_all
from service.settings import Settings
from service.standard.codec import decode
from service.store.store import Store

BATCH = 20
MOST_SESSIONS = 10_000


class Intake:
    """Takes drafts, stores them in batches, and collects the answers.

    Raises Forbidden for who may not see which sessions are there.
    """

    def __init__(
        self,
        store: Store,
        caller: Caller,
        base: str,
        *,
        atomic: bool = False,
        batch: int = BATCH,
    ) -> None:
        require_sight(caller)
        self._store = store
        self._caller = caller
        self._base = base
        self._atomic = atomic
        self._batch = batch

    def take(self, drafts: Sequence[Read]) -> list[SessionAnswer]:
        """The answers to these sessions, in their order.

        Each comes as its draft (None where it could not be read), findings, name and rows.
        """
        refused = {
            number: SessionAnswer(number, name, "refused", findings.issues, rows=rows)
            for number, (draft, findings, name, rows) in enumerate(drafts)
            if draft is None
        }
        good: list[Entry] = [
            (number, draft, rows) for number, (draft, _, _, rows) in enumerate(drafts) if draft
        ]
        if self._atomic and refused:
            return [
                refused.get(number) or _held_back(one, number) for number, one in enumerate(drafts)
            ]
        found = dict(refused)
        size = len(good) if self._atomic else self._batch
        for batch in batches(iter(good), max(size, 1)):
            answers = store_all(self._store, self._caller, self._base, batch, atomic=self._atomic)
            found |= {answer.number: answer for answer in answers}
        return [found[number] for number in sorted(found)]


def notes_in(body: bytes, clinic: Clinic, max_bytes: int) -> tuple[Clinic, list[tuple[Any, Path]]]:
    """The notes in a JSON body, each with the path to it. Raises Malformed or Invalid."""
    sent = decode(body, max_bytes=max_bytes)
    if isinstance(sent, list):
        return clinic, _several(sent, ())
    if not isinstance(sent, dict):
        raise Malformed("A session note is a JSON object", location="/")
    if "resourceType" in sent:
        raise Invalid(
            "This is a FHIR resource: send it to /fhir; session notes are taken here",
            location="/resourceType",
        )
    if "sessions" not in sent:
        return clinic, [(sent, ())]
    unknown = sorted(set(sent) - {"clinic", "sessions"})
    if unknown:
        raise Invalid(
            issues=[
                Issue("error", "structure", "There is no such field", location=f"/{name}")
                for name in unknown
            ]
        )
    if not isinstance(sent["sessions"], list):
        raise Invalid("`sessions` is a list of session notes", location="/sessions")
    return clinic_from(sent.get("clinic"), clinic), _several(sent["sessions"], ("sessions",))


def read_notes(notes: Sequence[tuple[Any, Path]], reading: Reading) -> Iterator[Read]:
    """Each note read by itself: a fault of one is none of the others."""
    for raw, path in notes:
        findings = Findings(Pointers(path), reading.strict)
        draft = drafted(raw, reading, findings)
        yield Read(draft, findings, draft.value if draft else name_of(raw))


def name_of(raw: Any) -> str | None:
    """The number of a note that could not be read, as far as it can be told."""
    session = raw.get("session") if isinstance(raw, dict) else None
    if isinstance(session, dict):
        session = session.get("value")
    return session if isinstance(session, str) else None


def _several(notes: list[Any], path: Path) -> list[tuple[Any, Path]]:
    if not notes:
        raise Invalid(
            "There is no session in this", code="required", location="/" + "/".join(map(str, path))
        )
    if len(notes) > MOST_SESSIONS:
        raise Invalid(f"At most {MOST_SESSIONS:,} sessions in one request", code="too-long")
    return [(note, (*path, number)) for number, note in enumerate(notes)]


def clinic_from(sent: Any, default: Clinic, prefix: Path = ("clinic",)) -> Clinic:
    """What is said of the clinic, over what was known. Raises Invalid."""
    if sent is None:
        return default
    try:
        found = Clinic.model_validate(sent)
        if found.time_zone:
            zone(found.time_zone)
    except ValidationError as error:
        faults = error.errors(include_url=False, include_context=False, include_input=False)
        raise Invalid(
            issues=[
                Issue(
                    "error",
                    "value",
                    fault["msg"],
                    location=Pointers(prefix).of(tuple(fault["loc"])),
                )
                for fault in faults
            ]
        ) from None
    except MomentError as error:
        location = Pointers(prefix).of(("timeZone",))
        raise Invalid(str(error), code="value", location=location) from None
    given = {name: getattr(found, name) for name in found.model_fields_set}
    return default.model_copy(update={name: value for name, value in given.items() if value})


def clinic_of(settings: Settings) -> Clinic:
    """The clinic as the settings have it. Raises Invalid where they cannot be read."""
    said = {"identifiers": settings.clinic, "timeZone": settings.time_zone}
    given = {name: value for name, value in said.items() if value}
    return clinic_from(given, Clinic(), ("settings",))


def _held_back(one: Read, number: int) -> SessionAnswer:
    _, findings, name, rows = one
    findings.told((), "processing", "Not stored, since another session was refused (atomic=true)")
    return SessionAnswer(number, name, "refused", findings.issues, rows=rows)
