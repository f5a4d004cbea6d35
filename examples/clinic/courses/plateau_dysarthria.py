"""A course that plateaus: dysarthria after a stroke; gains in the first weeks, then none."""

from __future__ import annotations

from datetime import date, time

from ..codes import icd, snomed
from ..model import Block, Client, Course, Dose, Goal, Missed, Order, Plan, Problem, Stage, Trend

CLIENT = Client(
    slug="edda-rowanlea",
    number="C-1049",
    given="Edda",
    family="Rowanlea",
    gender="female",
    born=date(1949, 6, 21),
    street="5 Old Ferry Road",
    phone="+1 928 555 0149",
    helper_given="Inka",
    helper_family="Rowanlea",
    helper_role=("DAU", "natural daughter"),
)

_EXPLORATORY = (
    "Exploratory: evidence for non-speech exercises in acquired dysarthria neither supports nor"
    " refutes a gain in intelligibility; the client was told so. Dose: common practice, no source."
    " Defer to local rules and the licensed therapist."
)

_PLAN = Plan(
    slug="plan-speech",
    title="Clearer speech after stroke",
    description="Slow rate and large clear movements, with tongue strokes as an exploratory part.",
    last_week=35,
    problems=("dysarthria",),
    goals=(
        Goal(
            "goal-intelligibility",
            "Four words of five are understood by an unfamiliar listener",
            "intelligibility",
            due_week=30,
            low=80,
        ),
        Goal(
            "goal-rate-of-motion",
            "Repeats a syllable 5.4 times a second or faster",
            "amr-rate",
            due_week=30,
            low=5.4,
        ),
        Goal(
            "goal-home",
            "Practises at home on five days of seven",
            "home-practice-days",
            due_week=30,
            low=5,
            category=("behavioral", "Behavioral"),
        ),
    ),
    orders=(
        Order(
            slug="order-pacing",
            technique="slow-rate-overarticulation",
            site="mouth",
            stimulus="own-effort",
            dose=Dose(15, 3, repetitions=30, rest=60),
            per_week=1,
            wanted=(0.45, 0.75),
            reason="dysarthria",
            sides="none",
            note="Defer to local rules and the licensed therapist.",
        ),
        Order(
            slug="order-edges",
            technique="tongue-edge-glides",
            site="tongue-edges",
            stimulus="spatula",
            dose=Dose(6, 3, 3, side_order="weaker-first", rest=30),
            per_week=1,
            wanted=(0.4, 0.55),
            reason="dysarthria",
            note=_EXPLORATORY,
        ),
        Order(
            slug="order-blade",
            technique="tongue-blade-rapid-strokes",
            site="tongue-blade",
            stimulus="dry-swab",
            dose=Dose(5, 2, 5, side_order="alternating", rest=30),
            per_week=1,
            wanted=(0.35, 0.5),
            reason="dysarthria",
            note=_EXPLORATORY,
        ),
        Order(
            slug="order-partner",
            technique="slow-rate-overarticulation",
            site="mouth",
            stimulus="own-effort",
            dose=Dose(20, repetitions=15),
            per_week=1,
            wanted=(0.6, 0.75),
            reason="dysarthria",
            sides="none",
            replaces="order-pacing",
            note="With the daughter as listener. Defer to local rules and the licensed therapist.",
        ),
    ),
    stages=(
        Stage(
            5,
            "active",
            "Three baseline visits done. Once a week, daily at home.",
            ("order-pacing", "order-edges", "order-blade"),
        ),
        Stage(
            20,
            "active",
            "Early gain has levelled off for six weeks: blade strokes ended, visits by video.",
            ("order-pacing", "order-edges"),
            {
                "goal-intelligibility": ("active", "no-change"),
                "goal-rate-of-motion": ("active", "no-change"),
                "goal-home": ("active", "achieved"),
            },
            report="Intelligibility a little above baseline, level since. Home practice is good.",
        ),
        Stage(
            30,
            "active",
            "Goals missed at their date. Five weeks with the daughter as listener, then close.",
            ("order-partner",),
            {
                "goal-intelligibility": ("completed", "not-achieved"),
                "goal-rate-of-motion": ("completed", "not-achieved"),
                "goal-home": ("completed", "achieved"),
            },
            report="No further change for ten weeks; both speech goals missed.",
        ),
        Stage(
            35,
            "completed",
            "Closed by agreement. May come back if speech changes.",
            (),
            report="Stable. Daughter uses the listening strategies; no further visits planned.",
        ),
    ),
)

COURSE = Course(
    client=CLIENT,
    therapist="ysolde-feldbrook",
    at=time(11, 15),
    outcome="plateaus",
    problems=(
        Problem(
            "dysarthria",
            "Dysarthria after stroke",
            (icd("I69.322", "Dysarthria following cerebral infarction"), snomed("8011004")),
            onset_week=-20,
        ),
    ),
    plans=(_PLAN,),
    trends=(
        Trend("intelligibility", 62, 69, "plateau", 1.8, 0),
        Trend(
            "amr-rate", 4.1, 4.4, "plateau", 0.15, 1, every=2, method="One syllable, five seconds"
        ),
        Trend("speaking-rate", 168, 150, "plateau", 5, 0, every=3),
        Trend("phonation-time", 9.5, 9.5, "flat", 0.7, 1, every=4, method="Longest of three"),
        Trend("home-practice-days", 5, 6, "plateau", 0.5, 0, every=1, by_helper=True),
    ),
    blocks=(
        Block(5, 5, (0, 2, 4), "assessment"),
        Block(6, 20, (1,)),
        Block(21, 29, (1,), setting="VR"),
        Block(30, 30, (1,), "review"),
        Block(31, 35, (1,)),
    ),
    missed={
        8: Missed("cancelled", "other-appointment", "Eye doctor at the same hour."),
        15: Missed("cancelled", "illness", "Called in with a fever."),
        22: Missed("noshow", "no-notice", "Did not join the video visit."),
        28: Missed("cancelled", "family", "Visit of relatives."),
    },
)
