"""How often Python looks for objects that hold each other."""

from __future__ import annotations

import gc

_NEW_OBJECTS = 100_000


def collect_rarely() -> None:
    """Look for them after 100,000 new objects instead of 700.

    Imports and tables make many objects that stay: looking through them again and again took a fifth of a start.
    """
    gc.set_threshold(_NEW_OBJECTS, 20, 20)
