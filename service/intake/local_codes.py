"""Which code does the clinic mean? Ours, a standard one, or its own through its ConceptMap.

A code of the clinic's own system is translated by the maps that start from that system
(http://hl7.org/fhir/R4/conceptmap.html), whether they are shipped in mappings/concept-maps or
were posted to /fhir/ConceptMap. What cannot be translated is kept as text with the clinic's
coding and reported; with `strict` it is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.errors import HyoidError
from service.intake.models import Code
from service.intake.places import Findings, Path
from service.intake.tables import OWN, known_measure, own_codes, standard_codings, table
from service.standard.terminology.library import Library
from service.standard.terminology.translation import Asked, Wishes, translate

Json = dict[str, Any]

_SURE = ("equal", "equivalent")
_ROUGH = ("wider", "subsumes", "narrower", "specializes", "inexact", "relatedto")


@dataclass(frozen=True, slots=True)
class Meant:
    """What a code came to: a CodeableConcept, and its main coding where it is understood."""

    concept: Json
    system: str | None = None
    code: str | None = None

    @property
    def key(self) -> str | None:
        """Its code, where it is one of ours."""
        return self.code if self.system and self.system.startswith(OWN) else None


class Codes:
    """Reads codes of one clinic; what it has found once in a request it does not look up again."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self._known: dict[tuple[str, str], tuple[tuple[str, str, str], ...]] = {}
        self._systems: dict[tuple[str, str], str] = {}

    def read(
        self, kind: str, sent: Code, local: str | None, findings: Findings, path: Path
    ) -> Meant:
        """The concept of a code of one kind: the name of one of our code systems."""
        system = sent.system or self._system(kind, local)
        if sent.system == OWN + kind:
            return self._own(kind, sent, findings, path)
        if system is None or sent.system is None:
            word = table("kinds")["words"].get(kind, {}).get(sent.code)
            translated = self._translated(kind, system, sent) if system else ()
            if not translated and sent.code in own_codes(kind):
                return _meant(OWN + kind, sent.code, own_codes(kind)[sent.code])
            if not translated and word is not None:
                return self._standard(word["system"], word["code"], sent)
        elif kind == "measure" and known_measure(sent.system, sent.code):
            return self._standard(sent.system, sent.code, sent)
        return self._local(kind, system, sent, findings, path)

    def _system(self, kind: str, local: str | None) -> str | None:
        """The clinic's system for a kind of codes: the one there is, or one below a base URL."""
        if local is None or not local.endswith("/"):
            return local
        if (local, kind) not in self._systems:
            names = table("kinds")["locals"].get(kind, [kind])
            self._systems[local, kind] = next(
                (local + name for name in names if self._has_map(local + name)), local + names[0]
            )
        return self._systems[local, kind]

    def _has_map(self, system: str) -> bool:
        return any(True for _ in self._library.concept_maps(system, reverse=False))

    def _own(self, kind: str, sent: Code, findings: Findings, path: Path) -> Meant:
        display = own_codes(kind).get(sent.code)
        if display is None:
            findings.error(path, "code-invalid", f"{sent.code!r} is no code of {OWN}{kind}")
            return Meant({"text": sent.display or sent.code})
        return _meant(OWN + kind, sent.code, display)

    def _standard(self, system: str, code: str, sent: Code) -> Meant:
        measure = known_measure(system, code)
        if measure is None:
            return _meant(system, code, own_codes(system.removeprefix(OWN)).get(code))
        codings = [dict(coding) for coding in standard_codings(system, code)]
        text = measure.name if sent.display is None else sent.display
        return Meant({"coding": codings, "text": text}, measure.system, measure.code)

    def _local(
        self, kind: str, system: str | None, sent: Code, findings: Findings, path: Path
    ) -> Meant:
        own = {"system": system, "code": sent.code, "display": sent.display}
        coding = {name: value for name, value in own.items() if value}
        text = sent.display or sent.code
        found = self._translated(kind, system, sent) if system else ()
        if len(found) == 1:
            target, code, equivalence = found[0]
            main = self._standard(target, code, sent)
            if equivalence in _ROUGH:
                findings.warning(
                    path,
                    "business-rule",
                    f"{sent.code!r} is translated as {code!r}, which is not quite the same"
                    f" ({equivalence})",
                )
            concept = {"coding": [*main.concept.get("coding", ()), coding], "text": text}
            return Meant(concept, main.system, main.code)
        why = "more than one translation" if found else "no translation"
        text_told = f"There is {why} of {sent.code!r} into {kind}: kept as the clinic's own"
        report = findings.error if findings.strict else findings.warning
        report(path, "multiple-matches" if found else "code-invalid", text_told)
        return Meant({"coding": [coding], "text": text} if system else {"text": text})

    def _translated(self, kind: str, system: str, sent: Code) -> tuple[tuple[str, str, str], ...]:
        """Distinct (system, code, equivalence) that the clinic's maps give for this kind."""
        asked = (f"{kind} {system}", sent.code)
        if asked not in self._known:
            self._known[asked] = tuple(self._look_up(kind, system, sent.code))
        return self._known[asked]

    def _look_up(self, kind: str, system: str, code: str) -> list[tuple[str, str, str]]:
        try:
            maps = list(self._library.concept_maps(system, reverse=False))
            answer = translate([Asked(system, code)], maps, self._library, Wishes())
        except HyoidError:
            return []
        found: dict[tuple[str, str], str] = {}
        for entry in answer["parameter"]:
            parts = {part["name"]: part for part in entry.get("part", ())}
            coding = parts.get("concept", {}).get("valueCoding", {})
            equivalence = parts.get("equivalence", {}).get("valueCode", "")
            if equivalence in _SURE + _ROUGH and _is_of(kind, coding):
                target = (coding["system"], coding["code"])
                if equivalence in _SURE or target not in found:
                    found[target] = equivalence
        sure = {key: how for key, how in found.items() if how in _SURE}
        return [(*key, how) for key, how in (sure or found).items()]


def _is_of(kind: str, coding: Json) -> bool:
    system, code = coding.get("system", ""), coding.get("code", "")
    if system == OWN + kind:
        return code in own_codes(kind)
    return kind == "measure" and known_measure(system, code) is not None


def _meant(system: str, code: str, display: str | None) -> Meant:
    coding = {"system": system, "code": code} | ({"display": display} if display else {})
    return Meant({"coding": [coding], "text": display or code}, system, code)
