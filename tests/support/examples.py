"""How much a test tries: little by default, more where it is asked for (`tests/run --all`)."""

from __future__ import annotations

import pytest
from _pytest.mark.structures import ParameterSet
from hypothesis import settings


def few(default: int, many: int) -> int:
    """How many examples a property test tries: `many` with the profile "random"."""
    return default if settings().derandomize else many


def slow(*values: object) -> ParameterSet:
    """Parameters of a case that only the slow tests try."""
    return pytest.param(*values, marks=pytest.mark.slow)
