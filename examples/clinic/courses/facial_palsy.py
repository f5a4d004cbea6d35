"""A mixed course: facial palsy on the left with weak lip closure.

Strength and leaks reach their goals; an even smile does not.
"""

from __future__ import annotations

from datetime import date, time

from ..codes import icd, snomed
from ..model import (
    Allergy,
    Block,
    Caution,
    Client,
    Course,
    Dose,
    Goal,
    Missed,
    Order,
    Plan,
    Problem,
    Stage,
    Trend,
)

CLIENT = Client(
    slug="tobias-ashvale",
    number="C-1057",
    given="Tobias",
    family="Ashvale",
    gender="male",
    born=date(1968, 11, 2),
    street="31 Mesquite Lane",
    phone="+1 928 555 0157",
    helper_given="Sefa",
    helper_family="Ashvale",
    helper_role=("WIFE", "wife"),
)

_PLAN = Plan(
    slug="plan-lips",
    title="Lip closure with facial palsy on the left",
    description=(
        "Strokes from the stronger to the weaker side, closure against resistance and mirror"
        " practice, followed by syllables that round and close the lips."
    ),
    last_week=28,
    problems=("palsy", "lip-weakness"),
    goals=(
        Goal(
            "goal-strength",
            "Presses the left corner of the mouth with 9 kPa or more",
            "lip-strength@lip-corner-left",
            due_week=28,
            low=9,
        ),
        Goal(
            "goal-leaks",
            "Leaks at three sips of ten or fewer",
            "drink-leaks",
            due_week=28,
            high=3,
            category=("dietary", "Dietary"),
        ),
        Goal(
            "goal-smile",
            "Moves the left corner nine tenths as far as the right in a smile",
            "smile-symmetry",
            due_week=28,
            low=90,
        ),
    ),
    orders=(
        Order(
            slug="order-weak-side",
            technique="weak-side-lip-strokes",
            site="lip-ring",
            stimulus="chilled-spoon",
            dose=Dose(7, 3, 5, side_order="stronger-first", rest=30),
            per_week=2,
            wanted=(0.3, 0.75),
            reason="lip-weakness",
            sides="left",
        ),
        Order(
            slug="order-circles",
            technique="lip-ring-circles",
            site="lip-ring",
            stimulus="chilled-spoon",
            dose=Dose(6, 2, 3, side_order="stronger-first", rest=30),
            per_week=2,
            wanted=(0.4, 0.7),
            reason="lip-weakness",
        ),
        Order(
            slug="order-mirror",
            technique="mirror-symmetry",
            site="lips",
            stimulus="mirror",
            dose=Dose(10, 2, repetitions=20),
            per_week=2,
            wanted=(0.3, 0.65),
            reason="palsy",
            sides="none",
            note="Small slow movements, never to fatigue: common practice, no source.",
        ),
        Order(
            slug="order-syllables",
            technique="lip-syllables",
            site="lips",
            stimulus="own-effort",
            dose=Dose(8, repetitions=20),
            per_week=2,
            wanted=(0.5, 0.9),
            reason="lip-weakness",
            sides="none",
        ),
        Order(
            slug="order-resistance",
            technique="lip-closure-resistance",
            site="lips",
            stimulus="spatula",
            dose=Dose(7, 3, repetitions=15, rest=45),
            per_week=1,
            wanted=(0.4, 0.85),
            reason="lip-weakness",
            sides="none",
        ),
    ),
    stages=(
        Stage(
            8,
            "active",
            "Three baseline visits done. Twice a week for eight weeks, then by review.",
            ("order-weak-side", "order-circles", "order-mirror", "order-syllables"),
        ),
        Stage(
            16,
            "active",
            "Left corner stronger. Once a week now; circles ended, resistance added.",
            ("order-weak-side", "order-mirror", "order-syllables", "order-resistance"),
            {
                "goal-strength": ("active", "improving"),
                "goal-leaks": ("active", "improving"),
            },
            report="Lip strength on the left rises, fewer leaks. The smile is still uneven.",
        ),
        Stage(
            28,
            "completed",
            "Strength and leaks within their goals; the smile has stopped changing below its goal.",
            (),
            {
                "goal-strength": ("completed", "achieved"),
                "goal-leaks": ("completed", "achieved"),
                "goal-smile": ("completed", "not-achieved"),
            },
            report="Two goals of three reached. Mirror practice goes on at home.",
        ),
    ),
)

COURSE = Course(
    client=CLIENT,
    therapist="devran-larkmoor",
    at=time(10, 30),
    outcome="mixed",
    problems=(
        Problem(
            "palsy",
            "Facial palsy on the left",
            (icd("G51.0", "Bell's palsy"),),
            onset_week=2,
        ),
        Problem(
            "lip-weakness",
            "Weak lip closure on the left",
            (snomed("95666008"),),
            onset_week=2,
        ),
    ),
    allergies=(Allergy("latex-allergy", "Natural rubber latex", "environment"),),
    cautions=(
        Caution("flag-latex", "latex-allergy", "Allergic to latex: no latex gloves or bulbs."),
    ),
    plans=(_PLAN,),
    trends=(
        Trend(
            "lip-strength",
            4.2,
            11.6,
            "steady",
            0.5,
            1,
            every=2,
            site="lip-corner-left",
            method="Best of three presses",
        ),
        Trend(
            "lip-strength",
            12.4,
            12.6,
            "flat",
            0.5,
            1,
            every=4,
            site="lip-corner-right",
            method="Best of three presses",
        ),
        Trend("smile-symmetry", 46, 79, "early", 2.5, 0, every=2),
        Trend("drink-leaks", 8, 1, "steady", 0.4, 0, every=2),
        Trend("home-practice-days", 3, 6, "early", 0.9, 0, every=2, by_helper=True),
    ),
    blocks=(
        Block(8, 8, (0, 2, 4), "assessment"),
        Block(9, 16, (0, 3)),
        Block(17, 28, (3,)),
        Block(33, 33, (3,), "assessment"),
    ),
    missed={
        6: Missed("cancelled", "family", "Child ill at home."),
        14: Missed("noshow", "forgot", "Forgot after a change of day."),
        23: Missed("cancelled", "holiday", "Away for a week."),
    },
)
