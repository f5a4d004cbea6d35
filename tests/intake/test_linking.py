"""Orders and plans are linked where they are sure, and only there."""

from __future__ import annotations

from tests.intake.clinic import Clinic, only, own, places


def test_an_order_that_is_not_sure_is_not_linked(clinic: Clinic) -> None:
    clinic.put(
        "ServiceRequest",
        f"{clinic.name}-again",
        status="active",
        intent="order",
        subject={"reference": clinic.patient},
        code=own("technique", "faucial-cold-strokes"),
        identifier=[clinic.number("order", "O-2")],
        basedOn=[{"reference": f"CarePlan/{clinic.name}-plan"}],
    )
    told = only(clinic.send(clinic.note()))
    assert told["status"] == "stored"
    assert places(told, "warning") == ["/sessions/0/techniques/0/technique"]
    (procedure,) = clinic.of_client("Procedure")
    assert procedure["basedOn"] == [{"reference": f"CarePlan/{clinic.name}-plan"}]
    named = [{"technique": "faucial-cold-strokes", "order": "O-2"}]
    told = only(clinic.send(clinic.note("S-2", techniques=named)))
    assert told["issues"] == []
    linked = clinic.found("Procedure", **{"based-on": f"ServiceRequest/{clinic.name}-again"})
    assert len(linked) == 1


def test_a_plan_that_is_not_sure_is_not_linked(clinic: Clinic) -> None:
    clinic.put(
        "CarePlan",
        f"{clinic.name}-other",
        status="active",
        intent="plan",
        subject={"reference": clinic.patient},
        identifier=[clinic.number("plan", "P-2")],
    )
    bare = {"techniques": [], "therapist": "nobody"}
    told = only(clinic.send(clinic.note(**bare)))
    assert places(told, "warning") == ["/sessions/0/therapist", "/sessions/0"]
    (found,) = clinic.of_client("Observation")
    assert "basedOn" not in found
    assert found["performer"] == [
        {"type": "Practitioner", "identifier": clinic.number("staff", "nobody")}
    ]
    assert only(clinic.send(clinic.note("S-2", plan="P-2", techniques=[])))["issues"] == []
    based = clinic.found("Observation", **{"based-on": f"CarePlan/{clinic.name}-other"})
    assert len(based) == 1
