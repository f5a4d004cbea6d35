"""How is a warning offered as a resource? A DetectedIssue, not stored unless somebody posts it.

R4: http://hl7.org/fhir/R4/detectedissue.html.
"""

from __future__ import annotations

from typing import Any

from service.therapy.cautions import Caution
from service.therapy.measures import OWN

Resource = dict[str, Any]


def detected_issue(caution: Caution, patient: str, identified: str) -> Resource:
    """The DetectedIssue, preliminary: a person has not looked at it yet.

    `patient` is a reference, `identified` a dateTime.
    """
    coding = {"system": f"{OWN}caution", "code": caution.key, "display": caution.title}
    shown = [each.reference for each in caution.findings if "/" in each.reference]
    issue: Resource = {
        "resourceType": "DetectedIssue",
        "status": "preliminary",
        "code": {"coding": [coding], "text": caution.title},
        "severity": caution.severity,
        "patient": {"reference": patient},
        "identifiedDateTime": identified,
    }
    if shown:
        issue["evidence"] = [{"detail": [{"reference": each} for each in shown]}]
    return issue | {"detail": caution.text}
