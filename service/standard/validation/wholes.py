"""What does a type ask of the resource as a whole, beyond its elements and rules?"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from service.standard.validation.bundles import check_bundle
from service.standard.validation.findings import Context, Place
from service.standard.validation.questionnaires import check_enabling

WHOLE_CHECKS: dict[str, Callable[[dict[str, Any], Place, Context], None]] = {
    "Bundle": check_bundle,
    "Questionnaire": check_enabling,
}
"""One check a type, called when its elements have been looked at."""
