"""A course that worsens: swallowing gets harder, therapy is held, the client is referred back."""

from __future__ import annotations

from datetime import date, time

from ..codes import icd, snomed
from ..model import (
    Block,
    Caution,
    Client,
    Course,
    Diet,
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
    slug="amos-wexcombe",
    number="C-1062",
    given="Amos",
    family="Wexcombe",
    gender="male",
    born=date(1943, 9, 30),
    street="2 Stonecrop Way",
    phone="+1 928 555 0162",
    helper_given="Hester",
    helper_family="Wexcombe",
    helper_role=("WIFE", "wife"),
)


def _swallow_order(
    slug: str,
    technique: str,
    site: str,
    dose: Dose,
    wanted: tuple[float, float],
    replaces: str | None = None,
) -> Order:
    return Order(
        slug=slug,
        technique=technique,
        site=site,
        stimulus="own-effort",
        dose=dose,
        per_week=2,
        wanted=wanted,
        reason="dysphagia",
        sides="none",
        replaces=replaces,
    )


_PLAN = Plan(
    slug="plan-swallow",
    title="Keeping the swallow strong",
    description="Swallow manoeuvres and strengthening under close watch of weight and saturation.",
    last_week=42,
    problems=("dysphagia", "neurological"),
    goals=(
        Goal(
            "goal-eating-rating",
            "Rates eating at 10 points or fewer on the eating assessment",
            "eat-10-total",
            due_week=42,
            high=10,
            category=("dietary", "Dietary"),
        ),
        Goal(
            "goal-weight",
            "Keeps a weight of 67 kg or more",
            "body-weight",
            due_week=42,
            low=67,
            category=("dietary", "Dietary"),
        ),
        Goal(
            "goal-intake",
            "Eats and drinks all by mouth with several textures (level 5)",
            "oral-intake-level",
            due_week=42,
            low=5,
            category=("safety", "Safety"),
        ),
    ),
    orders=(
        _swallow_order(
            "order-effortful",
            "effortful-swallow",
            "pharynx",
            Dose(8, 3, repetitions=20, rest=60),
            (0.6, 0.3),
        ),
        _swallow_order(
            "order-supraglottic",
            "supraglottic-swallow",
            "larynx",
            Dose(8, 2, repetitions=10, rest=60),
            (0.5, 0.35),
        ),
        _swallow_order(
            "order-head-lift",
            "head-lift",
            "suprahyoid-muscles",
            Dose(7, 3, repetitions=12, rest=60),
            (0.7, 0.4),
        ),
        _swallow_order(
            "order-effortful-low",
            "effortful-swallow",
            "pharynx",
            Dose(5, 2, repetitions=10, rest=90),
            (0.5, 0.25),
            replaces="order-effortful",
        ),
    ),
    stages=(
        Stage(
            24,
            "active",
            "Four baseline visits done. Twice a week, saturation before and after.",
            ("order-effortful", "order-supraglottic", "order-head-lift"),
            diet="diet-1",
        ),
        Stage(
            31,
            "active",
            "Tires sooner, weight down: fewer repetitions, head lift ended, softer diet.",
            ("order-effortful-low", "order-supraglottic"),
            {
                "goal-eating-rating": ("active", "worsening"),
                "goal-weight": ("active", "worsening"),
            },
            diet="diet-2",
            report="Worse than at baseline on most measures. The referring physician was told.",
        ),
        Stage(
            36,
            "on-hold",
            "Treated in hospital for a chest infection. Held until the physician allows more.",
            ("order-effortful-low", "order-supraglottic"),
            {"goal-intake": ("on-hold", "worsening")},
            problems=(
                Problem(
                    "chest-infection",
                    "Chest infection, inhaled food suspected",
                    (icd("J69.0", "Pneumonitis due to inhalation of food and vomit"),),
                    onset_week=35,
                    confirmed=False,
                    note="As told by the hospital; not confirmed here.",
                ),
            ),
            cautions=(
                Caution(
                    "flag-chest", "recent-chest-infection", "Chest infection in the last weeks."
                ),
                Caution("flag-saturation", "saturation-falling", "Saturation falls in sessions."),
            ),
            issue="Oxygen saturation fell by three points or more in several sessions.",
        ),
        Stage(
            38,
            "revoked",
            "Ended. Referred back for an instrumental study and a medical review.",
            (),
            {
                "goal-eating-rating": ("cancelled", "not-attainable"),
                "goal-weight": ("cancelled", "not-attainable"),
                "goal-intake": ("cancelled", "not-attainable"),
            },
            report="Swallowing, weight and intake worsened under therapy. Referred back.",
            referral="Worsening over fourteen weeks, weight loss and a chest infection.",
        ),
    ),
    diets=(
        Diet(
            "diet-1",
            "1237448004",
            "Minced and moist (level 5)",
            "1237442003",
            "Mildly thick (level 2)",
        ),
        Diet("diet-2", "1237447009", "Pureed (level 4)", "1237442003", "Mildly thick (level 2)"),
    ),
)

COURSE = Course(
    client=CLIENT,
    therapist="oriel-tamsworth",
    at=time(13, 0),
    outcome="worsens",
    problems=(
        Problem(
            "dysphagia",
            "Swallowing difficulty, mouth and throat",
            (icd("R13.12", "Dysphagia, oropharyngeal phase"), snomed("40739000")),
            onset_week=10,
        ),
        Problem(
            "neurological",
            "Progressive neurological condition, under investigation",
            (),
            onset_week=6,
            confirmed=False,
        ),
    ),
    cautions=(Caution("flag-alertness", "fluctuating-alertness", "Less alert in the afternoon."),),
    plans=(_PLAN,),
    trends=(
        Trend("eat-10-total", 15, 30, "steady", 1.1, 0, every=2),
        Trend("oral-intake-level", 5, 4, "steady", 0, 0, every=4),
        Trend("water-swallow-capacity", 8.2, 4.2, "steady", 0.4, 1, every=3, until_week=35),
        Trend("tongue-pressure", 27, 20, "steady", 1.2, 1, every=3, method="Best of three presses"),
        Trend("body-weight", 68.6, 63.4, "steady", 0.25, 1, every=3),
    ),
    blocks=(
        Block(23, 24, (0, 3), "assessment"),
        Block(25, 36, (0, 3)),
        Block(37, 38, (0, 3), "review"),
    ),
    missed={
        10: Missed("cancelled", "transport", "No one to drive."),
        19: Missed("noshow", "no-notice", "Did not come; wife rang the next day."),
        25: Missed("cancelled", "illness", "In hospital."),
        26: Missed("cancelled", "illness", "In hospital."),
        27: Missed("cancelled", "illness", "In hospital."),
    },
    saturation_drop=(0.5, 4.2),
)
