"""The table of bands as it lies on the disk: a column is read when it is asked for, so that few are in memory."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
from numpy.typing import NDArray

KEYS = ("strike_id", "station_id")


class StoredBands:
    """A file of the table `bands`. Raises what pyarrow raises where the file is damaged."""

    def __init__(self, path: Path) -> None:
        self._file = pq.ParquetFile(path)
        self.columns: list[str] = list(self._file.schema_arrow.names)

    def __len__(self) -> int:
        return int(self._file.metadata.num_rows)

    def keys_of_rows(self) -> pd.DataFrame:
        """Strike and station of every row."""
        keys: pd.DataFrame = self._file.read(columns=list(KEYS)).to_pandas()
        return keys

    def values(self, name: str) -> NDArray[np.floating]:
        """A column of levels, one for each row; NaN where null."""
        return np.asarray(self._file.read(columns=[name]).column(0).to_numpy())


Bands = pd.DataFrame | StoredBands


def band_rows(strikes: pd.DataFrame, bands: Bands) -> pd.DataFrame:
    """The strikes with the row of `bands` that each has, `band_row`; -1 where it has none."""
    keys = bands.keys_of_rows() if isinstance(bands, StoredBands) else bands[list(KEYS)]
    keys = keys.reset_index(drop=True)
    if len(keys) == len(strikes) and all((strikes[name].to_numpy() == keys[name].to_numpy()).all() for name in KEYS):
        return strikes.assign(band_row=np.arange(len(strikes), dtype=np.int32))  # as the levels stage writes them
    numbered = keys.assign(band_row=np.arange(len(keys), dtype=np.int32))
    joined = strikes.merge(numbered, on=list(KEYS), how="left")
    return joined.assign(band_row=joined["band_row"].fillna(-1).astype(np.int32))


def band_level_db(strikes: pd.DataFrame, bands: Bands, name: str) -> NDArray[np.float64]:
    """A column of `bands` for strikes with `band_row`; NaN where one has no bands."""
    column = bands.values(name) if isinstance(bands, StoredBands) else bands[name].to_numpy(np.float64)
    rows = strikes["band_row"].to_numpy()
    if not len(column):
        return np.full(len(rows), np.nan)
    return np.where(rows >= 0, column[rows], np.nan).astype(np.float64)
