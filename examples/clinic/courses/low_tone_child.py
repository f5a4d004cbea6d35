"""A child with low tone around the mouth: slow gains with practice at home, still in therapy."""

from __future__ import annotations

from datetime import date, time

from ..codes import icd, snomed
from ..model import (
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
    slug="pim-sandhollow",
    number="C-1053",
    given="Pim",
    family="Sandhollow",
    gender="male",
    born=date(2019, 5, 14),
    street="18 Quail Hollow",
    phone="+1 928 555 0153",
    helper_given="Noor",
    helper_family="Sandhollow",
    helper_role=("MTH", "mother"),
)

_CHILD_NOTE = (
    "As play, stopped at any sign of discomfort or gag. Dose: common practice, no source. Evidence"
    " for oral exercises in children's speech is limited; exploratory, and the mother was told so."
    " Defer to local rules and the licensed therapist."
)

_PLAN = Plan(
    slug="plan-tone",
    title="Closed lips and a dry chin",
    description="Quick taps and strokes for low tone, then syllables and sips; daily at home.",
    last_week=58,
    problems=("low-tone", "drooling"),
    goals=(
        Goal(
            "goal-closure",
            "Keeps the lips closed for a minute",
            "lip-closure-time",
            due_week=46,
            low=60,
        ),
        Goal(
            "goal-dry",
            "Drools three times in five minutes or fewer",
            "drool-episodes",
            due_week=46,
            high=3,
        ),
        Goal(
            "goal-sequence",
            "Says ten three-syllable sequences in ten seconds",
            "sequence-time",
            due_week=46,
            high=10,
        ),
        Goal(
            "goal-closure-meal",
            "Keeps the lips closed for two minutes",
            "lip-closure-time",
            due_week=58,
            low=120,
        ),
    ),
    orders=(
        Order(
            slug="order-taps",
            technique="perioral-taps",
            site="perioral-points",
            stimulus="finger-tap",
            dose=Dose(5, 3, 4, side_order="alternating", rest=20),
            per_week=1,
            wanted=(0.4, 0.8),
            reason="low-tone",
            note=_CHILD_NOTE,
        ),
        Order(
            slug="order-circles",
            technique="lip-ring-circles",
            site="lip-ring",
            stimulus="chilled-spoon",
            dose=Dose(5, 2, 3, side_order="alternating", rest=20),
            per_week=1,
            wanted=(0.35, 0.8),
            reason="low-tone",
            note=_CHILD_NOTE,
        ),
        Order(
            slug="order-bowl",
            technique="tongue-midline-strokes",
            site="tongue-blade",
            stimulus="spatula",
            dose=Dose(4, 3, 3, side_order="middle-only", rest=20),
            per_week=1,
            wanted=(0.3, 0.6),
            reason="low-tone",
            sides="none",
            note=_CHILD_NOTE,
        ),
        Order(
            slug="order-syllables",
            technique="lip-syllables",
            site="lips",
            stimulus="own-effort",
            dose=Dose(10, repetitions=20),
            per_week=1,
            wanted=(0.45, 0.85),
            reason="low-tone",
            sides="none",
            note=_CHILD_NOTE,
        ),
        Order(
            slug="order-closure",
            technique="lip-closure-resistance",
            site="lips",
            stimulus="spatula",
            dose=Dose(6, 3, repetitions=12, rest=30),
            per_week=1,
            wanted=(0.5, 0.9),
            reason="drooling",
            sides="none",
            note=_CHILD_NOTE,
        ),
    ),
    stages=(
        Stage(
            7,
            "active",
            "Three baseline visits done. Once a week and five minutes a day at home.",
            ("order-taps", "order-circles", "order-syllables"),
        ),
        Stage(
            20,
            "active",
            "Longer closure, chin drier. Midline strokes added for the tongue.",
            ("order-taps", "order-circles", "order-bowl", "order-syllables"),
            {
                "goal-closure": ("active", "improving"),
                "goal-dry": ("active", "improving"),
            },
            report="Lip closure and drooling improve; speech sequences as before.",
        ),
        Stage(
            34,
            "active",
            "Taps no longer needed; closure against resistance added.",
            ("order-circles", "order-bowl", "order-syllables", "order-closure"),
            {"goal-sequence": ("active", "improving")},
            report="Steady. The mother keeps up practice on most days.",
        ),
        Stage(
            46,
            "active",
            "Closure and dry chin reached, sequences not. Goes on with a longer closure goal.",
            ("order-syllables", "order-closure"),
            {
                "goal-closure": ("completed", "achieved"),
                "goal-dry": ("completed", "achieved"),
                "goal-sequence": ("completed", "not-achieved"),
            },
            report="Two goals reached. Sequences are faster but not yet at their goal.",
        ),
    ),
)

COURSE = Course(
    client=CLIENT,
    therapist="ysolde-feldbrook",
    at=time(15, 30),
    outcome="improves",
    problems=(
        Problem(
            "low-tone",
            "Low muscle tone of lips, cheeks and tongue",
            (snomed("398152000"),),
            onset_week=-300,
        ),
        Problem(
            "drooling",
            "Drooling",
            (icd("K11.7", "Disturbances of salivary secretion"), snomed("62718007")),
            onset_week=-150,
        ),
    ),
    cautions=(
        Caution("flag-bite", "bite-reflex", "Bites down when surprised: nothing that can break."),
    ),
    plans=(_PLAN,),
    trends=(
        Trend("lip-closure-time", 8, 76, "steady", 4, 0, every=2),
        Trend("drool-episodes", 9, 2, "steady", 0.6, 0, every=2),
        Trend("sequence-time", 14.2, 10.9, "late", 0.4, 1, every=4),
        Trend("home-practice-days", 3, 6, "early", 0.9, 0, every=1, by_helper=True),
    ),
    blocks=(
        Block(7, 7, (0, 1, 3), "assessment"),
        Block(8, 19, (2,)),
        Block(20, 20, (2,), "review"),
        Block(21, 45, (2,)),
        Block(46, 46, (2,), "review"),
        Block(47, 51, (2,)),
    ),
    missed={
        7: Missed("cancelled", "illness", "Ear infection."),
        16: Missed("cancelled", "holiday", "Spring holiday."),
        25: Missed("noshow", "transport", "Bus did not come."),
        33: Missed("cancelled", "holiday", "Summer holiday."),
        38: Missed("cancelled", "illness", "Called in with a cold."),
    },
)
