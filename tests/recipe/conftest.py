"""A recipe's file."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def recipe(tmp_path):
    """Write a recipe in one of the ways."""

    def written(text: str) -> Path:
        path = tmp_path / "song.toml"
        path.write_bytes(text.encode())
        return path

    return written
