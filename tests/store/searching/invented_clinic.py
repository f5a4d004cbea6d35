"""An invented clinic for searches: a few hundred resources from a seed, odd values included."""

from __future__ import annotations

import random
from typing import Any

Resource = dict[str, Any]

LOINC = "http://loinc.org"
LOCAL = "http://clinic.example/codes/measure"
TREE = "http://clinic.example/codes/tree"
UCUM = "http://unitsofmeasure.org"
CODES = [
    (LOINC, "8867-4"),
    (LOINC, "9279-1"),
    (LOCAL, "lips"),
    (LOCAL, "tongue"),
    (TREE, "lips"),
    (TREE, "upper-lip"),
    ("", "free"),
]
WORDS = ["Lip strength", "lip  STRENGTH left", "Síla jazyka", "sila", "Medical record"]
KINDS = "http://terminology.hl7.org/CodeSystem/v2-0203"
FAMILIES = ["Nováková", "Novak", "novakowski", "O'Brien", "van der Berg", "Berg", "Šťastný", "Łoś"]
GIVENS = ["Anna", "Ánna Marie", "Jean-Luc", "Zoë", "ANNA", "Bo", "Émile"]
CITIES = ["Praha 1", "Praha", "Åarhus", "Aarhus", "São Paulo"]
STATUSES = ["registered", "preliminary", "final", "amended"]
UNITS = [(UCUM, "kPa", "kPa"), (UCUM, "Pa", "pascal"), (UCUM, "ms", "ms"), (UCUM, "s", "sec")]
DATES = [
    "2024",
    "2024-03",
    "2023-12",
    "2024-03-05",
    "2024-02-29",
    "2024-03-05T10:30:00Z",
    "2024-03-05T10:30:00.250Z",
    "2024-03-05T12:30:00+02:00",
    "2024-03-05T23:59:59-01:00",
    "2023-12-31T23:30:00Z",
    "2025-01-01T00:00:00Z",
    "2022-07-14",
]
NUMBERS = ["5", "5.0", "5.4", "5.35", "5.45", "5.449", "100", "99.5", "100.5", "0", "-3", "0.005"]


class Maker:
    """Makes the resources one by one, references leading back to what is there already."""

    def __init__(self, seed: int) -> None:
        self.dice = random.Random(seed)
        self.made: dict[str, list[Resource]] = {}

    def clinic(self, size: int = 1) -> list[Resource]:
        """All of them, in the order of their making."""
        plan = [
            (self.organization, 3),
            (self.practitioner, 5),
            (self.patient, 25 * size),
            (self.questionnaire, 4),
            (self.encounter, 40 * size),
            (self.care_plan, 25 * size),
            (self.goal, 25 * size),
            (self.procedure, 40 * size),
            (self.observation, 160 * size),
            (self.answers, 20 * size),
            (self.list_, 4),
        ]
        everything: list[Resource] = []
        for make, count in plan:
            for number in range(count):
                resource = make(number)
                self.made.setdefault(resource["resourceType"], []).append(resource)
                everything.append(resource)
        return everything

    def some(self, chance: float) -> bool:
        return self.dice.random() < chance

    def to(self, *types: str) -> Resource | None:
        found = [r for type_ in types for r in self.made.get(type_, ())]
        if not found or self.some(0.08):
            return None
        if self.some(0.04):
            return {
                "reference": f"http://elsewhere.example/fhir/{types[0]}/x{self.dice.randint(1, 3)}"
            }
        target = self.dice.choice(found)
        reference: Resource = {"reference": f"{target['resourceType']}/{target['id']}"}
        if self.some(0.2):
            reference["identifier"] = self.identifier(self.dice.randint(0, 20))
        return reference

    def identifier(self, number: int) -> Resource:
        identifier = {"value": f"N{number}"}
        if not self.some(0.2):
            identifier["system"] = self.dice.choice(["urn:oid:1.2.3", "http://clinic.example/id"])
        if self.some(0.3):
            kind = {"system": KINDS, "code": self.dice.choice(["MR", "SS"])}
            identifier["type"] = {"coding": [kind], "text": self.dice.choice(WORDS)}
        return identifier

    def concept(self) -> Resource:
        if self.some(0.06):
            return {"text": self.dice.choice(WORDS)}
        codings: list[Resource] = []
        for system, code in self.dice.sample(CODES, self.dice.choice([1, 1, 1, 2])):
            codings.append({"system": system, "code": code} if system else {"code": code})
            if self.some(0.3):
                codings[-1]["display"] = self.dice.choice(WORDS)
        return {"coding": codings} | ({"text": self.dice.choice(WORDS)} if self.some(0.2) else {})

    def quantity(self) -> Resource:
        quantity: Resource = {"value": float(self.dice.choice(NUMBERS))}
        if not self.some(0.15):
            system, code, unit = self.dice.choice(UNITS)
            quantity |= {"system": system, "code": code, "unit": unit}
        elif self.some(0.5):
            quantity["unit"] = self.dice.choice(["kPa", "strokes"])
        if self.some(0.1):
            quantity["comparator"] = self.dice.choice(["<", "<=", ">=", ">"])
        return quantity

    def when(self) -> Resource:
        if self.some(0.1):
            return {}
        if self.some(0.4):
            return {"period": self.period()}
        return {"dateTime": self.dice.choice(DATES)}

    def period(self) -> Resource:
        ends = sorted([self.dice.choice(DATES)[:10], self.dice.choice(DATES)[:10]])
        period = {"start": ends[0], "end": ends[1]}
        if self.some(0.2):
            del period[self.dice.choice(["start", "end"])]
        return period

    def named(self, prefix: str, resource: Resource, **references: Resource | None) -> Resource:
        return resource | {name: value for name, value in references.items() if value is not None}

    def organization(self, number: int) -> Resource:
        return {
            "resourceType": "Organization",
            "id": f"o{number}",
            "name": self.dice.choice(CITIES),
        }

    def practitioner(self, number: int) -> Resource:
        return {
            "resourceType": "Practitioner",
            "id": f"pr{number}",
            "identifier": [self.identifier(number)],
            "name": [{"family": self.dice.choice(FAMILIES)}],
        }

    def patient(self, number: int) -> Resource:
        resource: Resource = {"resourceType": "Patient", "id": f"p{number}"}
        if not self.some(0.1):
            resource["name"] = [
                {
                    "family": self.dice.choice(FAMILIES),
                    "given": self.dice.sample(GIVENS, self.dice.choice([1, 2])),
                }
                for _ in range(self.dice.choice([1, 1, 2]))
            ]
        if not self.some(0.2):
            resource["gender"] = self.dice.choice(["male", "female", "unknown"])
        if not self.some(0.2):
            resource["birthDate"] = self.dice.choice(
                ["1950", "1950-03", "1950-03-05", "1987-10-01"]
            )
        if not self.some(0.3):
            resource["active"] = self.some(0.7)
        if self.some(0.5):
            resource["address"] = [{"city": self.dice.choice(CITIES), "text": "Old street 7"}]
        if self.some(0.5):
            resource["telecom"] = [
                {"system": "phone", "value": f"+420 {number}", "use": "home"},
                {"system": "email", "value": f"p{number}@clinic.example"},
            ]
        resource["identifier"] = [self.identifier(number), self.identifier(number + 1)]
        doctor = self.to("Practitioner", "Organization")
        if doctor:
            resource["generalPractitioner"] = [doctor]
        return self.named("p", resource, managingOrganization=self.to("Organization"))

    def questionnaire(self, number: int) -> Resource:
        return {
            "resourceType": "Questionnaire",
            "id": f"q{number}",
            "status": "active",
            "url": f"http://forms.example/Questionnaire/{'scale' if number < 2 else 'scale/short'}",
            "version": str(number + 1),
            "title": self.dice.choice(GIVENS),
            "useContext": [
                {
                    "code": {"system": LOCAL, "code": self.dice.choice(["age", "focus"])},
                    "valueQuantity": self.quantity(),
                }
                for _ in range(2)
            ],
        }

    def encounter(self, number: int) -> Resource:
        resource = {
            "resourceType": "Encounter",
            "id": f"e{number}",
            "status": self.dice.choice(["planned", "finished"]),
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
            "identifier": [self.identifier(number)],
        }
        if not self.some(0.2):
            resource["period"] = self.period()
        if self.some(0.5):
            resource["length"] = self.quantity() | {"system": UCUM, "code": "s", "unit": "s"}
        return self.named("e", resource, subject=self.to("Patient"))

    def care_plan(self, number: int) -> Resource:
        resource = {
            "resourceType": "CarePlan",
            "id": f"c{number}",
            "status": self.dice.choice(["active", "completed"]),
            "intent": "plan",
            "category": [self.concept()],
        }
        if not self.some(0.2):
            resource["period"] = self.period()
        if old := self.to("CarePlan"):
            resource["replaces"] = [old]
        subject = self.to("Patient") or {"reference": "Patient/p0"}
        return self.named("c", resource, subject=subject, encounter=self.to("Encounter"))

    def goal(self, number: int) -> Resource:
        resource = {
            "resourceType": "Goal",
            "id": f"g{number}",
            "lifecycleStatus": self.dice.choice(["active", "completed"]),
            "description": {"text": "speak"},
            "target": [
                {"dueDate": self.dice.choice(DATES)[:10]}
                for _ in range(self.dice.choice([0, 1, 3]))
            ],
            "subject": self.to("Patient") or {"reference": "Patient/p1"},
        }
        if not resource["target"]:
            del resource["target"]
        return resource

    def procedure(self, number: int) -> Resource:
        resource = {
            "resourceType": "Procedure",
            "id": f"pc{number}",
            "status": "completed",
            "code": self.concept(),
            "subject": self.to("Patient") or {"reference": "Patient/p2"},
        }
        when = self.when()
        if "period" in when:
            resource["performedPeriod"] = when["period"]
        elif when:
            resource["performedDateTime"] = when["dateTime"]
        if plan := self.to("CarePlan"):
            resource["basedOn"] = [plan]
        return self.named("pc", resource, encounter=self.to("Encounter"))

    def observation(self, number: int) -> Resource:
        resource: Resource = {
            "resourceType": "Observation",
            "id": f"ob{number}",
            "status": self.dice.choice(STATUSES),
            "code": self.concept(),
        }
        if self.some(0.3):
            resource["category"] = [self.concept()]
        when = self.when()
        if "period" in when:
            resource["effectivePeriod"] = when["period"]
        elif when:
            resource["effectiveDateTime"] = when["dateTime"]
        resource |= self.dice.choice(
            [
                {"valueQuantity": self.quantity()},
                {"valueQuantity": self.quantity()},
                {"valueCodeableConcept": self.concept()},
                {"valueString": self.dice.choice(FAMILIES)},
                {},
            ]
        )
        if self.some(0.3):
            resource["component"] = [
                {"code": self.concept(), "valueQuantity": self.quantity()}
                for _ in range(self.dice.choice([1, 2, 3]))
            ]
        if part := self.to("Procedure"):
            resource["partOf"] = [part]
        doctors = [d for d in (self.to("Practitioner"), self.to("Practitioner")) if d]
        if doctors:
            resource["performer"] = doctors
        return self.named(
            "ob", resource, subject=self.to("Patient"), encounter=self.to("Encounter")
        )

    def answers(self, number: int) -> Resource:
        form = self.dice.choice(self.made["Questionnaire"])
        version = f"|{form['version']}" if self.some(0.5) else ""
        resource = {
            "resourceType": "QuestionnaireResponse",
            "id": f"qr{number}",
            "status": "completed",
            "questionnaire": form["url"] + version,
            "authored": self.dice.choice(DATES[5:10]),
        }
        return self.named("qr", resource, subject=self.to("Patient"))

    def list_(self, number: int) -> Resource:
        items = [self.to("Observation", "Patient") for _ in range(6)]
        return {
            "resourceType": "List",
            "id": f"l{number}",
            "status": "current",
            "mode": "working",
            "entry": [{"item": item} for item in items if item],
        }
