"""How long may an example of Hypothesis take? As long as it needs: no test here is timed."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
