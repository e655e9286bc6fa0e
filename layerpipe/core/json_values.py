"""Values as JSON can hold them: infinities as the strings "inf" and "-inf", NaN as null."""

from __future__ import annotations

import math
from typing import Any


def json_value(value: Any) -> Any:
    """Convert numpy numbers, paths and infinities for JSON, also inside dictionaries and lists."""
    if isinstance(value, dict):
        return {str(key): json_value(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [json_value(item) for item in value]
    if hasattr(value, "tolist"):
        return json_value(value.tolist())
    if isinstance(value, float):
        if math.isnan(value):
            return None
        return value if math.isfinite(value) else ("inf" if value > 0 else "-inf")
    if value is None or isinstance(value, bool | int | str):
        return value
    return str(value)
