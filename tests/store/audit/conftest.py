"""Databases that the tests of one file share."""

from __future__ import annotations

from tests.store.searching.conftest import module_database_url, module_store

__all__ = ["module_database_url", "module_store"]
