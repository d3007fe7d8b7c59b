"""The least that any analysis must do: decode a 24-bit recording once, and transform it once in batches of 16 rows.

`python -m tests.benchmarks.floor FILE`
"""

from __future__ import annotations

import os
import sys

import numpy as np
from scipy import fft

_ROWS, _HEADER_BYTES = 16, 44


def main(path: str, rate_hz: int = 96_000) -> float:
    """Sum over one bin, so that nothing can be left out."""
    handle = os.open(path, os.O_RDONLY)
    frames = (os.fstat(handle).st_size - _HEADER_BYTES) // 3
    n = _ROWS * rate_hz
    raw = bytearray(3 * n + 1)  # the byte in front makes each sample the upper three bytes of an integer
    samples = np.ndarray((n,), "<i4", raw, 0, (3,))
    rows = np.empty((_ROWS, rate_hz), dtype=np.float32)
    total = 0.0
    for first in range(0, frames - n + 1, n):
        os.preadv(handle, [memoryview(raw)[1:]], _HEADER_BYTES + 3 * first)
        rows.reshape(-1)[:] = samples >> 8
        rows *= np.float32(2.0**-23)
        total += float(np.abs(fft.rfft(rows)[0, 1]))
    return total


if __name__ == "__main__":
    print(main(sys.argv[1]))
