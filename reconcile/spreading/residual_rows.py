"""What a chosen law leaves of each cell, as rows of the table `residuals`."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from reconcile.spreading.laws import Law
from reconcile.spreading.means import Means
from reconcile.spreading.models import spreading_attenuation
from reconcile.spreading.subject import Subject
from reconcile.vocabulary.quantities import FloatArray
from reconcile.vocabulary.tables.residuals import RESIDUALS

_LABELS = ("pile_id", "mooring_id", "system_id")


def residual_rows(law: Law, means: Means, subject: Subject) -> pd.DataFrame:
    """One row for each cell that the law was fitted to."""
    cells, fitted = means.cells, law.fitted
    used, labels = fitted.used, cells.labels[fitted.used].reset_index(drop=True)
    fixed_db = _fixed_db(law, means, subject)
    curve, level = fixed_db + fitted.design @ law.linear.coefficients, fixed_db + fitted.response
    limited = np.bincount(cells.groups.limited.group, cells.groups.limited.count, minlength=cells.n)
    energy = (means.reference_energy_kj or np.nan) * 10.0 ** cells.log_energy[used]
    rows = pd.DataFrame(
        {
            "range_m": cells.range_m[used],
            "energy_kj": energy,
            "n_strikes": cells.n_strikes[used],
            "n_censored": limited[used].astype(np.int64),
            "level_db": level,
            "fitted_db": curve,
            "residual_db": np.where(cells.heard[used], level - curve, np.nan),
        }
    ).assign(
        quantity=subject.quantity,
        weighting=subject.weighting,
        band_hz=np.nan if subject.band_hz is None else subject.band_hz,
        installation_method=subject.installation_method,
        foundation_type=subject.foundation_type,
        abatement=subject.abatement,
        model=law.model,
    )
    for name in _LABELS:
        rows[name] = labels[name] if name in labels.columns else None
    unknown = pd.Series(pd.NaT, index=rows.index).dt.tz_localize("UTC")
    rows["time_utc"] = labels["time_utc"].dt.floor("us") if "time_utc" in labels.columns else unknown
    return rows[list(RESIDUALS.column_names)]


def _fixed_db(law: Law, means: Means, subject: Subject) -> FloatArray:
    """What the law fixes, at the cells used: sea water's absorption, and the spreading where N is not fitted."""
    fixed = law.spreading_db_per_decade if law.model == "damped_cylindrical" else 0.0
    ranges = means.cells.range_m[law.fitted.used]
    return spreading_attenuation(ranges, 0.0, fixed, law.absorption_db_per_km, subject.reference_range_m)


def joined(frames: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """All rows in one frame, with the table's columns where there are none."""
    kept = [frame for frame in frames if len(frame)]
    empty = pd.DataFrame({name: pd.Series(dtype=object) for name in RESIDUALS.column_names})
    return pd.concat(kept, ignore_index=True) if kept else empty
