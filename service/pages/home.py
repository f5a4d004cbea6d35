"""The first page: what is this, and where does one go from here?"""

from __future__ import annotations

from pathlib import Path

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

_PAGE = (Path(__file__).parent / "home.html").read_text(encoding="utf-8")

router = APIRouter(include_in_schema=False)


@router.get("/", response_class=HTMLResponse)
async def home() -> str:
    """Shows nothing of any client, so it is open to all."""
    return _PAGE
