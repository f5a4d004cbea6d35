"""What would the simplest possible server, and an ordinary one, do with the same work?

`bare`: Starlette routes that select or insert bytes with sqlite3 and do no more than the task
names. `ordinary`: FastAPI, a SQLModel session, and every resource through its model both ways.
Both keep the same durability (WAL, synchronous=FULL). Started by `python -m` with a folder.
"""

from __future__ import annotations

import json
import sqlite3
import sys
from pathlib import Path
from typing import Any

import anyio
import uvicorn
from fastapi import FastAPI, Request
from fhir.resources.R4B import get_fhir_model_class
from sqlmodel import Field, Session, SQLModel, create_engine
from starlette.applications import Starlette
from starlette.responses import Response
from starlette.routing import Route

_ROWS = 12


class Kept(SQLModel, table=True):
    """A resource of the ordinary assembly."""

    id: str = Field(primary_key=True)
    body: str


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    connection.executescript(
        "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;"
        "CREATE TABLE IF NOT EXISTS version (id TEXT PRIMARY KEY, body BLOB);"
        "CREATE TABLE IF NOT EXISTS row (param INTEGER, value TEXT, id TEXT);"
        "CREATE INDEX IF NOT EXISTS row_value ON row (param, value, id);"
    )
    return connection


def bare(folder: Path) -> Starlette:
    """GET /Observation/{id} and POST / with a transaction Bundle."""
    connection = _connect(folder / "bare.sqlite3")
    counter = iter(range(10**9))

    async def read(request: Request) -> Response:
        row = connection.execute(
            "SELECT body FROM version WHERE id = ?", (request.path_params["id"],)
        ).fetchone()
        return Response(row[0], media_type="application/fhir+json")

    async def put(request: Request) -> Response:
        body = await request.body()
        key = request.path_params["id"]
        connection.execute("INSERT OR REPLACE INTO version VALUES (?, ?)", (key, body))
        return Response(status_code=201)

    def store(raw: bytes) -> None:
        entries = json.loads(raw)["entry"]
        for entry in entries:
            resource = entry["resource"]
            get_fhir_model_class(resource["resourceType"]).model_validate(resource)
        connection.execute("BEGIN IMMEDIATE")
        for entry in entries:
            key = f"{next(counter)}"
            body = json.dumps(entry["resource"]).encode()
            connection.execute("INSERT INTO version VALUES (?, ?)", (key, body))
            connection.executemany(
                "INSERT INTO row VALUES (?, ?, ?)",
                [(number, f"value-{number}-{key}", key) for number in range(_ROWS)],
            )
        connection.execute("COMMIT")

    lock = anyio.Lock()

    async def transaction(request: Request) -> Response:
        raw = await request.body()
        async with lock:
            await anyio.to_thread.run_sync(store, raw)
        return Response(b"{}", media_type="application/fhir+json")

    return Starlette(
        routes=[
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
        connection.exec_driver_sql("PRAGMA synchronous=FULL")
    SQLModel.metadata.create_all(engine)
    app = FastAPI()
    counter = iter(range(10**9))

    @app.get("/Observation/{id}")
    def read(id: str) -> Response:
        with Session(engine) as session:
            kept = session.get(Kept, id)
            assert kept
            model = get_fhir_model_class("Observation").model_validate_json(kept.body)
        return Response(model.model_dump_json(), media_type="application/fhir+json")

    @app.put("/Observation/{id}")
    async def put(id: str, request: Request) -> Response:
        body = (await request.body()).decode()
        with Session(engine) as session:
            session.merge(Kept(id=id, body=body))
            session.commit()
        return Response(status_code=201)

    @app.post("/")
    def transaction(bundle: dict[str, Any]) -> dict[str, Any]:
        with Session(engine) as session:
            for entry in bundle["entry"]:
                resource = entry["resource"]
                model = get_fhir_model_class(resource["resourceType"]).model_validate(resource)
                session.add(Kept(id=str(next(counter)), body=model.model_dump_json()))
            session.commit()
        return {}

    return app


if __name__ == "__main__":
    name, directory, port = sys.argv[1:]
    application = {"bare": bare, "ordinary": ordinary}[name](Path(directory))
    uvicorn.run(application, port=int(port), log_level="warning", access_log=False)
