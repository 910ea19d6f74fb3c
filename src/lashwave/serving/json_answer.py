"""JSON that holds finite numbers only (RFC 8259 knows no nan)."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
from starlette.responses import Response


def plain(value: Any) -> Any:
    """The same as dicts, lists, texts and finite numbers; null for what is not finite."""
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    return None if isinstance(value, float) and not math.isfinite(value) else value


def answer(value: Any, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    """A JSON answer."""
    text = json.dumps(plain(value), allow_nan=False, ensure_ascii=False)
    return Response(text.encode(), status, headers, "application/json")
