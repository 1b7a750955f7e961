"""Streams of chance, each known by the name of what is uncertain: one more thing never redraws another."""

from __future__ import annotations

import hashlib
import json

import numpy as np


def stream(seed: int, kind: str, *names: str, batch: int = 0) -> np.random.Generator:
    """Give the stream of chance of one thing, named by its kind: the same on every machine and its own alone.

    Examples
    --------
    >>> bool(stream(1, "wind").random() == stream(1, "wind").random())
    True
    >>> bool(stream(1, "wind").random() == stream(1, "wind", batch=1).random())
    False
    """
    key = json.dumps([int(seed), kind, names, int(batch)]).encode()
    return np.random.default_rng(int.from_bytes(hashlib.sha256(key).digest()[:16], "big"))
