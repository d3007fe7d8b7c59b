"""Penetration of the pile at each strike, by the blow of the hammer log that it was matched with."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.campaign.blows import HammerLog


def with_penetration(strikes: pd.DataFrame, log: HammerLog | None) -> pd.DataFrame:
    """The strikes with `penetration_m`; NaN where no blow was matched, or none is logged for it."""
    if log is None:
        return strikes.assign(penetration_m=np.nan)
    blows = pd.MultiIndex.from_arrays([log.pile_id.astype(object), log.blow_number.astype(np.int64)])
    logged = pd.Series(log.penetration_m, index=blows)
    number = strikes["blow_number"].astype("Int64").fillna(-1).astype(np.int64)
    wanted = pd.MultiIndex.from_arrays([strikes["pile_id"].astype(object), number])
    return strikes.assign(penetration_m=logged.reindex(wanted).to_numpy(dtype=np.float64))
