"""Fit, comparison and report on a million strikes: `python -m tests.benchmarks.many_strikes RESULTS [--rows N]`.

RESULTS is a finished results folder, of the demonstration for example; its strikes and bands are repeated with levels
that scatter by 0.5 dB, each time with identities of their own and 1.5 s later. Goal: 30 s and 1 GiB altogether.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from tests.benchmarks.ratios import cost

STAGES = ("fit", "compare", "report")
_LATER_US, _SCATTER_DB = 1_500_000, 0.5


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("results", type=Path)
    asked.add_argument("--rows", type=int, default=1_000_000)
    options = asked.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="many_strikes_"))
    try:
        shutil.copytree(options.results, folder / "r", ignore=shutil.ignore_patterns("parts"))
        times = -(-options.rows // pq.read_metadata(options.results / "strikes.parquet").num_rows)
        for name, scatter_db in (("strikes", _SCATTER_DB), ("bands", 0.0)):
            n = repeat(options.results / f"{name}.parquet", folder / "r" / f"{name}.parquet", times, scatter_db)
        print(f"{n} rows; seconds by the clock and of the processor, peak memory")
        for stage in STAGES:
            taken = cost(["-m", "reconcile", stage, str(folder / "r")])
            print(f"{stage:8s} {taken.clock_s:7.1f} {taken.processor_s:7.1f} {taken.memory_mib:7.0f} MiB", flush=True)
    finally:
        shutil.rmtree(folder)


def repeat(source: Path, target: Path, times: int, scatter_db: float) -> int:
    """Write a table `times` over; returns its rows."""
    table = pq.read_table(source)
    with pq.ParquetWriter(target, table.schema, compression="zstd") as writer:
        for k in range(times):
            writer.write_table(_once_more(table, k, scatter_db))
    return table.num_rows * times


def _once_more(table: pa.Table, k: int, scatter_db: float) -> pa.Table:
    random = np.random.default_rng(k)
    levels_db = random.normal(0.0, scatter_db, table.num_rows)
    for i, field in enumerate(table.schema):
        if field.name == "strike_id":
            values = pa.array([f"{name}-{k}" for name in table[i].to_pylist()])
        elif field.name == "time_utc":
            values = pa.array(table[i].to_numpy() + np.timedelta64(k * _LATER_US, "us"))
        elif scatter_db and field.name.endswith("level_db"):
            values = pa.array(table[i].to_numpy() + levels_db, from_pandas=True)
        else:
            continue
        table = table.set_column(i, field, values.cast(field.type))
    return table


if __name__ == "__main__":
    main()
