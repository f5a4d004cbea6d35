"""A recent course: dysarthria with a tongue that drifts to the right; few data so far."""

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
    slug="lioba-fernhurst",
    number="C-1070",
    given="Lioba",
    family="Fernhurst",
    gender="female",
    born=date(1981, 1, 17),
    street="44 Larkspur Court",
    phone="+1 928 555 0170",
    helper_given="Caspar",
    helper_family="Fernhurst",
    helper_role=("HUSB", "husband"),
)

_PLAN = Plan(
    slug="plan-tongue",
    title="A straighter tongue and clearer sequences",
    description="Strokes on the weaker right side first, against the drift; then speech sequences.",
    last_week=60,
    problems=("dysarthria",),
    goals=(
        Goal(
            "goal-deviation",
            "Puts the tongue out within 3 mm of the midline",
            "tongue-deviation",
            due_week=60,
            high=3,
        ),
        Goal(
            "goal-sequences",
            "Says five syllables a second in sequences",
            "smr-rate",
            due_week=60,
            low=5,
        ),
    ),
    orders=(
        Order(
            slug="order-deviation",
            technique="tongue-deviation-strokes",
            site="tongue-edges",
            stimulus="spatula",
            dose=Dose(8, 3, 5, side_order="weaker-first", rest=30),
            per_week=2,
            wanted=(0.3, 0.9),
            reason="dysarthria",
        ),
        Order(
            slug="order-edges",
            technique="tongue-edge-glides",
            site="tongue-edges",
            stimulus="spatula",
            dose=Dose(6, 3, 3, side_order="weaker-first", rest=30),
            per_week=2,
            wanted=(0.4, 0.9),
            reason="dysarthria",
        ),
        Order(
            slug="order-press",
            technique="tongue-press-resistance",
            site="tongue-blade",
            stimulus="pressure-bulb",
            dose=Dose(8, 3, repetitions=20, rest=60),
            per_week=2,
            wanted=(0.5, 0.9),
            reason="dysarthria",
            sides="none",
        ),
    ),
    stages=(
        Stage(
            43,
            "active",
            "Three baseline visits done. Twice a week, review after four weeks.",
            ("order-deviation", "order-edges"),
        ),
        Stage(
            47,
            "active",
            "A little straighter. Tongue press added; too few visits yet for more to be said.",
            ("order-deviation", "order-edges", "order-press"),
        ),
    ),
)

COURSE = Course(
    client=CLIENT,
    therapist="devran-larkmoor",
    at=time(8, 15),
    outcome="recent",
    problems=(
        Problem(
            "dysarthria",
            "Dysarthria after brain haemorrhage, tongue drifts to the right",
            (
                icd("I69.122", "Dysarthria following nontraumatic intracerebral hemorrhage"),
                snomed("8011004"),
            ),
            onset_week=30,
        ),
    ),
    cautions=(
        Caution("flag-cold", "cold-sensitivity", "Cold on the teeth is painful: nothing chilled."),
    ),
    plans=(_PLAN,),
    trends=(
        Trend("tongue-deviation", 9, 5, "steady", 0.7, 0),
        Trend("smr-rate", 3.4, 4.2, "steady", 0.2, 1, every=2),
        Trend("tongue-pressure", 29, 32, "steady", 1.2, 1, every=3, method="Best of three presses"),
    ),
    blocks=(
        Block(43, 43, (0, 2, 4), "assessment"),
        Block(44, 51, (0, 3)),
    ),
    missed={
        9: Missed("cancelled", "other-appointment", "Scan at the hospital."),
    },
)
