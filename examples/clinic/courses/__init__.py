"""Which six courses does the clinic's year tell? One file each; all people are invented."""

from ..model import Course
from . import (
    facial_palsy,
    low_tone_child,
    plateau_dysarthria,
    stroke_swallow,
    tongue_deviation,
    worsening_swallow,
)

COURSES: tuple[Course, ...] = (
    stroke_swallow.COURSE,
    facial_palsy.COURSE,
    plateau_dysarthria.COURSE,
    low_tone_child.COURSE,
    worsening_swallow.COURSE,
    tongue_deviation.COURSE,
)

__all__ = ["COURSES"]
