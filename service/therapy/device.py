"""As whom does this service speak of itself? The Device of what it computes and writes.

R4: http://hl7.org/fhir/R4/device.html.
"""

from __future__ import annotations

from typing import Any

from service.therapy.measures import OWN


def service_device(version: str) -> dict[str, Any]:
    """The service as a Device without an id; `version` is that of this software."""
    kind = {"system": OWN + "measuring-device", "code": "hyoid", "display": "Hyoid"}
    return {
        "resourceType": "Device",
        "status": "active",
        "deviceName": [{"name": "Hyoid", "type": "user-friendly-name"}],
        "type": {"coding": [kind]},
        "version": [{"value": version}],
    }
