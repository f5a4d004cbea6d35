"""A course that improves: swallowing difficulty after a stroke, in two plans.

First the delayed trigger of the swallow, then tongue strength and a wider diet; the second plan
replaces the first and has a baseline of its own.
"""

from __future__ import annotations

from datetime import date, time

from ..codes import icd, snomed
from ..model import Allergy, Block, Caution, Client, Course, Missed, Problem, Trend
from .stroke_plan_strength import STRENGTH
from .stroke_plan_trigger import TRIGGER

CLIENT = Client(
    slug="marta-quillern",
    number="C-1041",
    given="Marta",
    family="Quillern",
    gender="female",
    born=date(1954, 3, 8),
    street="7 Sycamore Bend",
    phone="+1 928 555 0141",
    helper_given="Ruan",
    helper_family="Quillern",
    helper_role=("HUSB", "husband"),
)

COURSE = Course(
    client=CLIENT,
    therapist="oriel-tamsworth",
    at=time(9, 0),
    outcome="improves",
    problems=(
        Problem(
            "dysphagia",
            "Swallowing difficulty after stroke",
            (icd("I69.391", "Dysphagia following cerebral infarction"), snomed("40739000")),
            onset_week=-6,
        ),
        Problem(
            "delayed-trigger",
            "Delayed trigger of the swallow",
            (icd("R13.13", "Dysphagia, pharyngeal phase"),),
            onset_week=-6,
        ),
    ),
    allergies=(Allergy("citrus-allergy", "Citrus fruit", "food", (snomed("418085001"),)),),
    cautions=(
        Caution(
            "flag-flavour", "flavour-allergy", "Allergic to citrus: no flavoured swabs or ice."
        ),
    ),
    plans=(TRIGGER, STRENGTH),
    trends=(
        Trend("swallow-delay", 4.4, 1.5, "early", 0.28, 1),
        Trend(
            "swallow-delay-after-stimulus",
            3.1,
            1.3,
            "early",
            0.28,
            1,
            every=2,
            late=True,
            until_week=17,
        ),
        Trend("eat-10-total", 24, 6, "steady", 1.2, 0, every=4),
        Trend("oral-intake-level", 4, 6, "steady", 0, 0, every=4),
        Trend("tongue-pressure", 21, 34, "steady", 1.3, 1, every=3, method="Best of three presses"),
        Trend("body-weight", 62.4, 63.2, "steady", 0.2, 1, every=6),
    ),
    blocks=(
        Block(2, 3, (1, 3), "assessment"),
        Block(4, 17, (1, 3)),
        Block(18, 18, (0, 1, 3), "assessment"),
        Block(19, 35, (2,)),
        Block(39, 39, (2,), "assessment"),
    ),
    missed={
        9: Missed("cancelled", "illness", "Called in with a cold."),
        17: Missed("noshow", "no-notice", "Did not come and could not be reached."),
        24: Missed("cancelled", "therapist-away", "Therapist away; no stand-in found."),
        40: Missed("cancelled", "transport", "Car in repair."),
        46: Missed("noshow", "forgot", "Forgot; rang in the afternoon."),
    },
    saturation_drop=(0.6, 0.2),
)
