"""`bands`: decidecade exposure levels, one row for each strike and station."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from reconcile.vocabulary.band_limits import margin_db
from reconcile.vocabulary.decidecades import label, nominal_hz
from reconcile.vocabulary.tables.column import EXPOSURE_LEVEL, Column, Kind, Table


def exposure_column(band: int) -> str:
    """Name of the column with the exposure level of a band, for example `exposure_level_31_5hz_db`."""
    return f"exposure_level_{label(band)}_db"


def noise_column(band: int) -> str:
    """Name of the column with the background's exposure over the same duration."""
    return f"noise_exposure_level_{label(band)}_db"


def bands_table(bands: Sequence[int]) -> Table:
    """The table for some decidecade bands, given by number *n* (exact centre 10^(n/10) Hz)."""
    columns = [
        Column("strike_id", Kind.TEXT, "", "the strike; the same at all stations"),
        Column("station_id", Kind.TEXT, "", "station that recorded it"),
    ]
    for n in bands:
        name = f"{nominal_hz(n):g} Hz decidecade"
        columns.append(
            Column(
                exposure_column(n),
                Kind.SHORT_LEVEL,
                EXPOSURE_LEVEL,
                f"exposure level in the {name}, background subtracted; a limit where under "
                f"{margin_db(n, 3.0):.2g} dB (or censor_below_snr_db, if more) above it",
            )
        )
    columns += [
        Column(
            noise_column(n),
            Kind.SHORT_LEVEL,
            EXPOSURE_LEVEL,
            f"background's exposure in the {nominal_hz(n):g} Hz decidecade over the pulse's duration",
        )
        for n in bands
    ]
    return Table("bands", "strike and station", tuple(columns))


def is_at_most(
    exposure_level_db: NDArray[np.floating], noise_exposure_level_db: NDArray[np.floating], band: int, below_db: float
) -> NDArray[np.bool_]:
    """Where a band's level is a limit: not more than its margin (`band_limits`) above the background's exposure.

    A censored band holds exactly that limit, to float32; hence the half hundredth of a decibel.
    """
    return np.asarray(exposure_level_db <= noise_exposure_level_db + margin_db(band, below_db) + 0.005)
