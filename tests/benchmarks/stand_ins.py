"""What would the simplest possible server, and an ordinary one, do with the same work?

`bare`: Starlette routes that do no more than the task names, with sqlite3 and nothing between: a
read selects the bytes by primary key; a transaction validates each resource with fhir.resources
and inserts its version and twelve search rows, in tables with one index on the value each, in one
durable commit. `ordinary`: FastAPI, a SQLModel session, every resource through its model both
ways, no search rows at all. Both keep the same durability (WAL, synchronous=FULL).

Run as `python -m tests.benchmarks.stand_ins bare|ordinary FOLDER PORT`.
"""

from __future__ import annotations

import json
import sqlite3
import sys
from itertools import count
from pathlib import Path
from typing import Any

import anyio
import uvicorn
from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from fhir.resources.R4B import get_fhir_model_class
from sqlmodel import Field, Session, SQLModel, create_engine
from starlette.applications import Starlette
from starlette.responses import Response
from starlette.routing import Route

FHIR_JSON = "application/fhir+json"

_SEARCH_TABLES = ("token", "reference", "moment", "amount")
_TABLES = """
PRAGMA journal_mode=WAL;
PRAGMA synchronous=FULL;
CREATE TABLE version (id TEXT PRIMARY KEY, body BLOB NOT NULL);
""" + "".join(
    f"CREATE TABLE {name} (id TEXT, param INTEGER, value);"
    f"CREATE INDEX {name}_value ON {name} (param, value, id);"
    for name in _SEARCH_TABLES
)


class Kept(SQLModel, table=True):
    """A resource of the ordinary assembly."""

    id: str = Field(primary_key=True)
    body: str


def search_rows(key: str, number: int, place: int) -> dict[str, list[tuple[str, int, Any]]]:
    """Twelve rows as a resource of a session has them: what repeats in all, what in few, what in
    none; the work of finding them is not counted."""
    patient, session = f"Patient/p{number % 50}", number // 15
    return {
        "token": [
            (key, 1, "final"),
            (key, 2, "therapy"),
            (key, 3, f"measure-{place}"),
            (key, 4, f"measure-{place}"),
            (key, 5, f"s-{session}-o{place}"),
        ],
        "reference": [
            (key, 6, patient),
            (key, 7, patient),
            (key, 8, f"Encounter/{session}"),
            (key, 9, f"Procedure/{session}-{place}"),
        ],
        "moment": [(key, 10, 1_770_000_000_000_000 + number * 1000)],
        "amount": [(key, 11, place / 4), (key, 12, place * 250.0)],
    }


def _bare_store(connection: sqlite3.Connection, raw: bytes, counter: count[int]) -> None:
    entries = json.loads(raw)["entry"]
    for entry in entries:
        resource = entry["resource"]
        get_fhir_model_class(resource["resourceType"]).model_validate(resource)
    connection.execute("BEGIN IMMEDIATE")
    for place, entry in enumerate(entries):
        number = next(counter)
        key = f"{number}"
        body = json.dumps(entry["resource"]).encode()
        connection.execute("INSERT INTO version VALUES (?, ?)", (key, body))
        for table, rows in search_rows(key, number, place).items():
            connection.executemany(f"INSERT INTO {table} VALUES (?, ?, ?)", rows)
    connection.execute("COMMIT")


def bare(folder: Path) -> Starlette:
    """GET and PUT /Observation/{id}, and POST / with a transaction Bundle."""
    connection = sqlite3.connect(
        folder / "bare.sqlite3", isolation_level=None, check_same_thread=False
    )
    connection.executescript(_TABLES)
    counter = count(1)
    lock = anyio.Lock()

    async def read(request: Request) -> Response:
        row = connection.execute(
            "SELECT body FROM version WHERE id = ?", (request.path_params["id"],)
        ).fetchone()
        return Response(row[0], media_type=FHIR_JSON)

    async def put(request: Request) -> Response:
        row = (request.path_params["id"], await request.body())
        connection.execute("INSERT OR REPLACE INTO version VALUES (?, ?)", row)
        return Response(status_code=201)

    async def transaction(request: Request) -> Response:
        raw = await request.body()
        async with lock:
            await anyio.to_thread.run_sync(_bare_store, connection, raw, counter)
        return Response(b"{}", media_type=FHIR_JSON)

    async def ready(_request: Request) -> Response:
        return Response(b"{}")

    return Starlette(
        routes=[
            Route("/health/ready", ready),
            Route("/Observation/{id}", read, methods=["GET"]),
            Route("/Observation/{id}", put, methods=["PUT"]),
            Route("/", transaction, methods=["POST"]),
        ]
    )


def ordinary(folder: Path) -> FastAPI:
    """The same interface, assembled as usual."""
    engine = create_engine(f"sqlite:///{folder / 'ordinary.sqlite3'}")
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA journal_mode=WAL")
    SQLModel.metadata.create_all(engine)
    app = FastAPI()
    counter = count(1)

    @app.get("/health/ready")
    async def ready() -> dict[str, str]:
        return {}

    @app.get("/Observation/{id}")
    def read(id: str) -> Response:
        with Session(engine) as session:
            kept = session.get(Kept, id)
            assert kept
            model = get_fhir_model_class("Observation").model_validate_json(kept.body)
        return Response(model.model_dump_json(), media_type=FHIR_JSON)

    @app.put("/Observation/{id}")
    async def put(id: str, request: Request) -> Response:
        body = (await request.body()).decode()
        with Session(engine) as session:
            session.merge(Kept(id=id, body=body))
            session.commit()
        return Response(status_code=201)

    @app.post("/")
    def transaction(bundle: dict[str, Any]) -> JSONResponse:
        with Session(engine) as session:
            for entry in bundle["entry"]:
                resource = entry["resource"]
                model = get_fhir_model_class(resource["resourceType"]).model_validate(resource)
                session.add(Kept(id=str(next(counter)), body=model.model_dump_json()))
            session.commit()
        return JSONResponse({})

    return app


if __name__ == "__main__":
    name, directory, port = sys.argv[1:]
    application = {"bare": bare, "ordinary": ordinary}[name](Path(directory))
    uvicorn.run(application, port=int(port), log_level="warning", access_log=False)
