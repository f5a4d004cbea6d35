"""The second plan after the stroke: tongue strength and a wider diet; it replaces the first."""

from __future__ import annotations

from ..model import Diet, Dose, Goal, Order, Plan, Stage

STRENGTH = Plan(
    slug="plan-strength",
    title="Tongue strength and a wider diet",
    description="Strengthening of tongue and throat with practice at meals; once a week.",
    last_week=35,
    problems=("dysphagia",),
    goals=(
        Goal(
            "goal-tongue",
            "Presses the tongue with 30 kPa or more",
            "tongue-pressure",
            due_week=35,
            low=30,
        ),
        Goal(
            "goal-intake",
            "Eats and drinks all by mouth without special preparation (level 6)",
            "oral-intake-level",
            due_week=35,
            low=6,
            category=("dietary", "Dietary"),
        ),
        Goal(
            "goal-eating-rating-2",
            "Rates eating at 10 points or fewer on the eating assessment",
            "eat-10-total",
            due_week=35,
            high=10,
            category=("dietary", "Dietary"),
        ),
    ),
    orders=(
        Order(
            slug="order-tongue-press",
            technique="tongue-press-resistance",
            site="tongue-blade",
            stimulus="pressure-bulb",
            dose=Dose(10, 3, repetitions=30, rest=60),
            per_week=1,
            wanted=(0.55, 0.9),
            reason="dysphagia",
            sides="none",
        ),
        Order(
            slug="order-effortful-2",
            technique="effortful-swallow",
            site="pharynx",
            stimulus="own-effort",
            dose=Dose(8, 3, repetitions=20, rest=60),
            per_week=1,
            wanted=(0.6, 0.9),
            reason="dysphagia",
            sides="none",
        ),
        Order(
            slug="order-tongue-hold",
            technique="tongue-hold-swallow",
            site="pharynx",
            stimulus="own-effort",
            dose=Dose(6, 2, repetitions=10, rest=60),
            per_week=1,
            wanted=(0.5, 0.8),
            reason="dysphagia",
            sides="none",
            note="Without food or drink. Defer to local rules and the licensed therapist.",
        ),
        Order(
            slug="order-meal",
            technique="swallow-trials",
            site="pharynx",
            stimulus="food-or-drink",
            dose=Dose(12, repetitions=12),
            per_week=1,
            wanted=(0.7, 0.95),
            reason="dysphagia",
            sides="none",
        ),
    ),
    stages=(
        Stage(
            18,
            "active",
            "Three visits without treatment as a new baseline. Once a week, daily at home.",
            ("order-tongue-press", "order-effortful-2", "order-tongue-hold"),
            diet="diet-2",
        ),
        Stage(
            27,
            "active",
            "Stronger; meals are practised now, tongue-hold swallow ended.",
            ("order-tongue-press", "order-effortful-2", "order-meal"),
            {
                "goal-tongue": ("active", "improving"),
                "goal-intake": ("active", "improving"),
            },
            diet="diet-3",
            report="Tongue pressure rises steadily. Diet widened with the referring physician.",
        ),
        Stage(
            35,
            "completed",
            "All three goals reached. Handed back to the physician; one visit in a month.",
            (),
            {
                "goal-tongue": ("completed", "achieved"),
                "goal-intake": ("completed", "achieved"),
                "goal-eating-rating-2": ("completed", "achieved"),
            },
            report="Goals reached. Practice at home goes on; one follow-up visit is planned.",
        ),
    ),
    diets=(
        Diet(
            "diet-2",
            "1237449007",
            "Soft and bite-sized (level 6)",
            "1237442003",
            "Mildly thick (level 2)",
        ),
        Diet(
            "diet-3", "1237449007", "Soft and bite-sized (level 6)", "1231508001", "Thin (level 0)"
        ),
    ),
    replaces="plan-trigger",
)
