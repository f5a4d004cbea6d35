"""What does a clinic system send? The session note, as JSON; a table of rows becomes the same.

A code may be one of ours, one of the clinic's own, or an object with `system` and `code`. Whoever
is named (client, therapist, plan, order) is named by the clinic's number, by `system|value`, or
by the address of a resource here (`Patient/1`).
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    WithJsonSchema,
    model_validator,
)
from pydantic.alias_generators import to_camel

from service.standard.codec import Number

_FREE = r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*$"
_ADDRESS = re.compile(r"[A-Z][A-Za-z]{3,40}/[A-Za-z0-9\-.]{1,64}")

Word = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200, pattern=_FREE)
]
Text = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=20_000, pattern=_FREE)
]
Uri = Annotated[str, StringConstraints(pattern=r"^[A-Za-z][A-Za-z0-9+.\-]*:\S{1,400}$")]
Count = Annotated[int, Field(strict=True, ge=0, le=1_000_000)]
Positive = Annotated[int, Field(strict=True, ge=1, le=1_000_000)]


def _as_number(value: Any) -> Number:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise ValueError("a number is needed here")
    return value if isinstance(value, Number) else Number(value)


Amount = Annotated[Any, BeforeValidator(_as_number), WithJsonSchema({"type": "number"})]
"""A decimal that is kept as it was written: 5.50 stays 5.50."""


class Note(BaseModel):
    """What all parts of a note share: names as in JSON, nothing unknown."""

    model_config = ConfigDict(
        extra="forbid", alias_generator=to_camel, validate_by_alias=True, validate_by_name=False
    )


class Named(Note):
    """Somebody or something, by the clinic's number or by its address here."""

    system: Uri | None = None
    value: Word | None = None
    reference: Annotated[str, StringConstraints(pattern=_ADDRESS.pattern)] | None = None

    @model_validator(mode="before")
    @classmethod
    def _from_text(cls, value: Any) -> Any:
        if not isinstance(value, str):
            return value
        value = value.strip()
        if _ADDRESS.fullmatch(value):
            return {"reference": value}
        system, bar, number = value.rpartition("|")
        return {"system": system, "value": number} if bar and system else {"value": number}

    @model_validator(mode="after")
    def _one_way(self) -> Named:
        if (self.value is None) == (self.reference is None):
            raise ValueError("either a value (with its system) or a reference is needed")
        return self


class Code(Note):
    """A code of ours, of the clinic, or of any system; `display` is what the clinic calls it."""

    system: Uri | None = None
    code: Word
    display: Word | None = None

    @model_validator(mode="before")
    @classmethod
    def _from_text(cls, value: Any) -> Any:
        return {"code": value} if isinstance(value, str) else value


class Clinic(Note):
    """Who sends, and how what it sends is to be read."""

    identifiers: Uri | None = Field(
        default=None,
        description="What the clinic's numbers start with: `…/ids/` makes `…/ids/session`,"
        " `…/ids/client`, `…/ids/staff`, `…/ids/plan` and `…/ids/order`.",
    )
    organization: Named | None = Field(
        default=None, description="The clinic as an Organization here."
    )
    time_zone: Word | None = Field(
        default=None, description="Zone of times without one: `-07:00` or `America/Phoenix`."
    )
    local_codes: Uri | None = Field(
        default=None,
        description="System of the clinic's own codes, translated by the ConceptMap from it;"
        " with `/` at its end a base: `…/codes/` makes `…/codes/technique` and so on.",
    )


class Technique(Note):
    """A technique as delivered, or left out, and how it was answered."""

    id: Word | None = Field(
        default=None, description="The clinic's number of it; tells two alike apart."
    )
    technique: Code
    status: Literal["done", "not-done"] = "done"
    reason: Code | None = Field(default=None, description="Why it was left out (`missed-reason`).")
    order: Named | None = Field(default=None, description="The ServiceRequest it was done for.")
    region: Code | None = None
    side: Literal["left", "right", "both"] | None = None
    side_order: Code | None = None
    stimulus: Code | None = None
    sets: Positive | None = None
    strokes_per_side: Positive | None = None
    strokes_left: Count | None = None
    strokes_right: Count | None = None
    trials: Count | None = None
    repetitions: Count | None = None
    minutes: Amount | None = None
    rest: Amount | None = Field(default=None, description="Seconds of rest between sets.")
    start: Word | None = None
    end: Word | None = None
    response: Code | None = Field(default=None, description="Code of `response`.")
    seen: bool | None = Field(default=None, description="Whether the wanted response was seen.")
    successes: Count | None = Field(default=None, description="Trials with the wanted response.")
    delays: Annotated[list[Amount], Field(max_length=500)] | None = Field(
        default=None, description="Seconds from the cue to the response, one a trial."
    )
    rating: Amount | None = Field(
        default=None, description="The clinic's own rating of the response."
    )
    note: Text | None = None


class Measure(Note):
    """A measured value, vital signs among them; or the parts from which it is computed."""

    id: Word | None = None
    measure: Code
    value: Amount | None = None
    parts: dict[Word, Amount | Annotated[list[Amount | None], Field(max_length=2000)]] | None = (
        Field(
            default=None,
            description="In place of `value`: what was done and counted, by the names of its"
            " parts; of several trials a list, null where a trial gave none.",
        )
    )
    unit: Word | None = Field(
        default=None, description="UCUM, for instance `kPa`; else the measure's own."
    )
    when: Literal["before", "during", "after"] | None = None
    at: Word | None = Field(
        default=None, description="When it was taken; else the end of the session."
    )
    region: Code | None = None
    side: Literal["left", "right", "both"] | None = None
    method: Word | None = None
    device: Named | None = None
    by: Named | None = Field(
        default=None, description="Who took or rated it; else the therapist of the session."
    )
    note: Text | None = None


class Event(Note):
    """What happened that bears on tolerance: cough, wet voice, colour change, pain …"""

    id: Word | None = None
    event: Code
    severity: Literal["low", "moderate", "high"] | None = None
    during: Word | None = Field(
        default=None, description="`id` or code of the technique it came with."
    )
    at: Word | None = None
    note: Text | None = None


class Scale(Note):
    """The answers to a questionnaire or scale, by the linkId of its items."""

    id: Word | None = None
    scale: Word = Field(description="Canonical URL of the Questionnaire, or its name here.")
    answers: dict[Word, bool | Amount | Word | Code | list[bool | Amount | Word | Code]]


class SessionNote(Note):
    """One session."""

    clinic: Clinic | None = Field(
        default=None, description="Where it is not that of the whole request."
    )
    session: Named = Field(description="The clinic's number of the session: the key.")
    revision: Positive = 1
    withdrawn: bool = Field(default=False, description="The session was entered in error.")
    client: Named
    therapist: Named | None = None
    recorded_by: Named | None = None
    plan: Named | None = None
    start: Word
    end: Word | None = None
    setting: Literal["clinic", "home", "virtual", "inpatient"] = "clinic"
    type: Code | None = Field(default=None, description="Code of `session-type`.")
    phase: Code | None = Field(default=None, description="Code of `phase`.")
    attendance: Literal["done", "cut-short", "cancelled", "no-show"] = "done"
    reason: Code | None = Field(default=None, description="Why it was missed or cut short.")
    techniques: Annotated[list[Technique], Field(max_length=500)] = []
    measures: Annotated[list[Measure], Field(max_length=500)] = []
    vital_signs: Annotated[list[Measure], Field(max_length=500)] = []
    events: Annotated[list[Event], Field(max_length=200)] = []
    scales: Annotated[list[Scale], Field(max_length=50)] = []
    account: Code | None = Field(default=None, description="Code of `client-account`.")
    words: Text | None = Field(default=None, description="The client's own words.")
    note: Text | None = None
    next: Text | None = Field(default=None, description="The plan for next time.")


class SessionPost(Note):
    """What is posted: the clinic, and its sessions."""

    clinic: Clinic | None = None
    sessions: Annotated[list[SessionNote], Field(min_length=1, max_length=10_000)]
