"""HL7's own definitions are valid, and so is what is known of HL7's examples of our types.

Outside sources: every StructureDefinition, ValueSet, CodeSystem and ConceptMap of the official
package (one in ten, and all that are known to be odd); tests/conformance/examples, which lack
references and narrative: what is missing for that reason alone is no finding.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.standard.codec import decode
from service.standard.validation import validate
from tests import official

EXAMPLES = Path(__file__).parents[2] / "conformance" / "examples"
ODD = {
    **{
        f"StructureDefinition-{name}": "sdf-4: not abstract, but without baseDefinition"
        for name in ("Definition", "Event", "FiveWs", "Request")
    }
}
ALWAYS = {"CodeSystem-v2-0550": "codes with a no-break space"}
STRIPPED = ("(app-1)", "(ext-1)")
"""Rules that ask for a reference or for the value of an extension."""


def faults(resource: dict[str, Any]) -> list[str]:
    return [
        f"{issue.expression}: {issue.text}"
        for issue in validate(resource)
        if issue.severity == "error"
    ]


@pytest.mark.parametrize("kind", ["StructureDefinition", "ValueSet", "CodeSystem", "ConceptMap"])
def test_official_definitions_are_valid(kind: str) -> None:
    names = [name for name in official.package() if name.startswith(f"{kind}-")]
    for place, name in enumerate(names):
        if place % 10 == 0 or name in ALWAYS:
            assert name in ODD or faults(official.package()[name]) == [], name


@pytest.mark.parametrize("name", ODD)
def test_official_definitions_that_break_a_rule_are_told(name: str) -> None:
    assert len(faults(official.package()[name])) == 1


@pytest.mark.parametrize("file", sorted(EXAMPLES.glob("*.ndjson")), ids=lambda file: str(file.stem))
def test_official_examples_have_no_other_fault_than_what_was_stripped(file: Path) -> None:
    for line in file.read_bytes().splitlines():
        example = decode(line)
        found = [
            issue
            for issue in validate(example["resource"])
            if issue.severity == "error"
            and issue.code != "required"
            and not issue.text.endswith(STRIPPED)
        ]
        assert found == [], example["file"]
