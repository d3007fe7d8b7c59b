"""`rejected`: pulses that are no strikes of a pile, with the reasons. They count in no statistic and no exposure."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import EXPOSURE_LEVEL, PRESSURE_LEVEL, Column, Kind, Table

REASONS = {
    "too_long": "much longer than the station's usual strike: ship noise, chains",
    "too_short": "much shorter than the station's usual strike: pings, snapping",
    "unlike_spectrum": "its energy lies in other bands than that of the station's usual strike",
    "one_place_only": "heard at no other place, though another one that hears nearly every strike was recording",
    "off_rhythm": "between two strikes that are one usual interval apart",
    "slow_and_low": "95 % of the energy below 45 Hz and a slow rise: a knock on cable or mooring",
}

REJECTED = Table(
    "rejected",
    "pulse that is no strike",
    (
        Column("station_id", Kind.TEXT, "", "station that recorded it"),
        Column("pile_id", Kind.TEXT, "", "pile that was being driven"),
        Column("time_utc", Kind.TIME, "UTC", "when 5 % of its energy has arrived, by the station's stated clock"),
        Column("recording", Kind.TEXT, "", "recording, relative to the campaign folder"),
        Column("start_sample", Kind.SAMPLE, "1", "first sample of the pulse interval in the recording, from 0"),
        Column("reasons", Kind.FLAGS, "", "why it is no strike; see the table of reasons"),
        Column("peak_level_db", Kind.LEVEL, PRESSURE_LEVEL, "zero-to-peak sound pressure level"),
        Column("exposure_level_db", Kind.LEVEL, EXPOSURE_LEVEL, "exposure level of the pulse, background subtracted"),
        Column("pulse_duration_s", Kind.LEVEL, "s", "time from 5 % to 95 % of its energy"),
    ),
)
