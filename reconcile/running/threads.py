"""How many threads linear algebra may use; to be said before numpy is loaded."""

from __future__ import annotations

import os

# Matrices here are small: threads of a linear algebra library would wait for each other, and change last digits.
_NAMES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def one_thread_each() -> None:
    """One thread in this process and those it starts, unless the environment says otherwise."""
    for name in _NAMES:
        os.environ.setdefault(name, "1")
