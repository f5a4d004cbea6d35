"""The first plan after the stroke: a prompt swallow."""

from __future__ import annotations

from ..model import Diet, Dose, Goal, Order, Plan, Stage

_COLD_NOTE = (
    "The probe is taken from ice for every trial; it stops feeling cold after about six seconds"
    " (Selinger 1994, Dysphagia 9:83-87). Clinic sessions only: {} trials a week. The dose study"
    " gave 150 to 600 a week for two weeks and found no intensity best (Rosenbek 1998, Dysphagia"
    " 13:1-9). One-piece metal probe, no foam head (MHRA MDA/2012/020). Defer to local rules and"
    " the licensed therapist."
)


def _cold(slug: str, trials: int, replaces: str | None, wanted: tuple[float, float]) -> Order:
    return Order(
        slug=slug,
        technique="faucial-cold-strokes",
        site="faucial-arches",
        stimulus="cold-probe",
        dose=Dose(9, 2, 5, trials=trials, side_order="weaker-first", rest=60),
        per_week=2,
        wanted=wanted,
        reason="delayed-trigger",
        replaces=replaces,
        note=_COLD_NOTE.format(2 * trials),
    )


TRIGGER = Plan(
    slug="plan-trigger",
    title="Prompt swallow after stroke",
    description=(
        "Chilled strokes on the faucial arches and strokes across the tongue base, each followed"
        " by swallow attempts with what the client may have."
    ),
    last_week=17,
    problems=("dysphagia", "delayed-trigger"),
    goals=(
        Goal(
            "goal-delay",
            "Starts the swallow within three seconds on average",
            "swallow-delay",
            due_week=17,
            high=3.0,
        ),
        Goal(
            "goal-eating-rating",
            "Rates eating at 12 points or fewer on the eating assessment",
            "eat-10-total",
            due_week=17,
            high=12,
            category=("dietary", "Dietary"),
        ),
    ),
    orders=(
        _cold("order-cold-20", 20, None, (0.3, 0.6)),
        Order(
            slug="order-tongue-base",
            technique="tongue-base-strokes",
            site="tongue-base",
            stimulus="chilled-spoon",
            dose=Dose(6, 2, 3, side_order="weaker-first", rest=30),
            per_week=2,
            wanted=(0.35, 0.75),
            reason="delayed-trigger",
        ),
        Order(
            slug="order-trial-swallows",
            technique="swallow-trials",
            site="pharynx",
            stimulus="food-or-drink",
            dose=Dose(10, repetitions=10),
            per_week=2,
            wanted=(0.45, 0.85),
            reason="dysphagia",
            sides="none",
            note=(
                "Only food and drink of the levels in the diet order; upright and alert. Defer to"
                " local rules and the licensed therapist."
            ),
        ),
        _cold("order-cold-30", 30, "order-cold-20", (0.4, 0.85)),
        Order(
            slug="order-effortful",
            technique="effortful-swallow",
            site="pharynx",
            stimulus="own-effort",
            dose=Dose(7, 3, repetitions=15, rest=60),
            per_week=2,
            wanted=(0.5, 0.8),
            reason="dysphagia",
            sides="none",
        ),
    ),
    stages=(
        Stage(
            3,
            "active",
            "Four baseline visits done. Twice a week for fourteen weeks.",
            ("order-cold-20", "order-tongue-base", "order-trial-swallows"),
            diet="diet-1",
        ),
        Stage(
            10,
            "active",
            "Prompter after the stimulus, little carry-over yet: trials raised from 20 to 30,"
            " effortful swallow added, tongue-base strokes ended.",
            ("order-cold-30", "order-trial-swallows", "order-effortful"),
            {"goal-delay": ("active", "improving")},
            report="Delay shorter than at baseline; rating of eating changes slowly.",
        ),
        Stage(
            17,
            "completed",
            "Goal for the delay reached; rating of eating better but above its goal. A new plan"
            " follows.",
            (),
            {
                "goal-delay": ("completed", "achieved"),
                "goal-eating-rating": ("completed", "not-achieved"),
            },
            report="Delay within its goal at the last visits. Strength of the tongue stays low.",
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
    ),
)
