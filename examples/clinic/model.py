"""What is a course of therapy, as this clinic tells it? Plain records, read by the makers.

Weeks are counted from the Monday 52 weeks before the last one; see `weeks.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from typing import Literal

from .codes import Json

Shape = Literal["steady", "early", "late", "flat", "plateau"]
Kind = Literal["assessment", "treatment", "review"]
Sides = Literal["both", "left", "right", "none"]


@dataclass(frozen=True)
class Client:
    """An invented client, and the one person who helps at home."""

    slug: str
    number: str
    given: str
    family: str
    gender: Literal["female", "male"]
    born: date
    street: str
    phone: str
    helper_given: str
    helper_family: str
    helper_role: tuple[str, str]

    @property
    def reference(self) -> str:
        return f"Patient/{self.slug}"

    @property
    def helper(self) -> str:
        return f"RelatedPerson/{self.slug}-helper"

    @property
    def name(self) -> str:
        return f"{self.given} {self.family}"


@dataclass(frozen=True)
class Problem:
    """A Condition; `onset_week` may lie before the year."""

    slug: str
    text: str
    codings: tuple[Json, ...]
    onset_week: int
    confirmed: bool = True
    note: str | None = None


@dataclass(frozen=True)
class Allergy:
    """An AllergyIntolerance."""

    slug: str
    text: str
    category: Literal["food", "environment"]
    codings: tuple[Json, ...] = ()


@dataclass(frozen=True)
class Caution:
    """A Flag: a code of our `caution` system and what the therapist wants read first."""

    slug: str
    code: str
    text: str


@dataclass(frozen=True)
class Goal:
    """A Goal: reached at or above `low`, or at or below `high`, by the end of the due week.

    `measure` is a measure's code, with `@region` where it is taken at one place only.
    """

    slug: str
    text: str
    measure: str
    due_week: int
    low: float | None = None
    high: float | None = None
    category: tuple[str, str] = ("physiotherapy", "Physiotherapy")


@dataclass(frozen=True)
class Dose:
    """How much, in a session."""

    minutes: int
    sets: int | None = None
    strokes_per_side: int | None = None
    trials: int | None = None
    repetitions: int | None = None
    side_order: str | None = None
    rest: int | None = None


@dataclass(frozen=True)
class Order:
    """An ordered technique, and the share of wanted responses at the plan's first and last day."""

    slug: str
    technique: str
    site: str
    stimulus: str
    dose: Dose
    per_week: int
    wanted: tuple[float, float]
    reason: str
    sides: Sides = "both"
    replaces: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class Diet:
    """A NutritionOrder: SNOMED CT codes of food texture and drink thickness, with words."""

    slug: str
    texture: str
    texture_text: str
    fluid: str
    fluid_text: str


@dataclass(frozen=True)
class Stage:
    """One version of a plan, written on the Friday of its week.

    `goals` tells lifecycle and achievement of the goals that change. `report` is the conclusion
    of a progress report, if one was written.
    """

    week: int
    status: Literal["active", "on-hold", "completed", "revoked"]
    note: str
    orders: tuple[str, ...] = ()
    goals: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    report: str | None = None
    diet: str | None = None
    problems: tuple[Problem, ...] = ()
    cautions: tuple[Caution, ...] = ()
    issue: str | None = None
    referral: str | None = None


@dataclass(frozen=True)
class Plan:
    """A CarePlan with its goals, orders and versions."""

    slug: str
    title: str
    description: str
    last_week: int
    problems: tuple[str, ...]
    goals: tuple[Goal, ...]
    orders: tuple[Order, ...]
    stages: tuple[Stage, ...]
    diets: tuple[Diet, ...] = ()
    replaces: str | None = None


@dataclass(frozen=True)
class Trend:
    """A measure over the course: from `first` to `last` in a shape, with some noise.

    Taken in every `every`-th session and in all assessments, up to `until_week`; `late` means
    after the techniques.
    """

    measure: str
    first: float
    last: float
    shape: Shape
    noise: float
    decimals: int
    every: int = 1
    site: str | None = None
    late: bool = False
    by_helper: bool = False
    method: str | None = None
    until_week: int = 99

    @property
    def key(self) -> str:
        return f"{self.measure}@{self.site}" if self.site else self.measure


@dataclass(frozen=True)
class Block:
    """Sessions on the same weekdays (Monday is 0) over some weeks, both ends included."""

    first_week: int
    last_week: int
    weekdays: tuple[int, ...]
    kind: Kind = "treatment"
    setting: Literal["AMB", "VR", "HH"] = "AMB"


@dataclass(frozen=True)
class Missed:
    """A session that did not take place."""

    status: Literal["cancelled", "noshow"]
    reason: str
    words: str


@dataclass(frozen=True)
class Course:
    """A client's year. `missed` is keyed by the session's number in the course, from 0."""

    client: Client
    therapist: str
    at: time
    problems: tuple[Problem, ...]
    plans: tuple[Plan, ...]
    trends: tuple[Trend, ...]
    blocks: tuple[Block, ...]
    missed: Mapping[int, Missed]
    outcome: Literal["improves", "plateaus", "worsens", "mixed", "recent"]
    allergies: tuple[Allergy, ...] = ()
    cautions: tuple[Caution, ...] = ()
    saturation_drop: tuple[float, float] | None = None
