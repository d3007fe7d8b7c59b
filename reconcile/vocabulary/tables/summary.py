"""`summary`: statistics of the strikes (or seconds) of one pile at one station."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import Column, Kind, Table

_LEVEL = "dB re 1 µPa (peak, rms) or 1 µPa² s (exposure)"
_INTERVAL = (
    " (95 %, by blocks of neighbouring strikes; null for fewer than 30, or where censored strikes could move it)"
)

SUMMARY = Table(
    "summary",
    "pile, station, installation method, abatement, quantity, weighting and band",
    (
        Column("pile_id", Kind.TEXT, "", "pile"),
        Column("station_id", Kind.TEXT, "", "station"),
        Column("installation_method", Kind.TEXT, "", "installation method; each has rows of its own"),
        Column("abatement", Kind.TEXT, "", "abatement; each state has rows of its own"),
        Column("quantity", Kind.TEXT, "", "peak_level, exposure_level or rms_level"),
        Column("weighting", Kind.TEXT, "", "none, or set and group as in nmfs-2024:LF"),
        Column("band_hz", Kind.LEVEL, "Hz", "nominal decidecade centre; null for the full band"),
        Column("range_m", Kind.LEVEL, "m", "horizontal distance from pile to hydrophone, median over the strikes"),
        Column(
            "n_strikes",
            Kind.COUNT,
            "1",
            "strikes (seconds, where the pile is not driven by impact), censored ones included",
        ),
        Column("n_censored", Kind.COUNT, "1", "censored ones of these"),
        Column("mean_db", Kind.LEVEL, _LEVEL, "mean of the levels"),
        Column("energy_mean_db", Kind.LEVEL, _LEVEL, "level of the mean energy"),
        Column("median_db", Kind.LEVEL, _LEVEL, "median of the levels"),
        Column(
            "exceeded_5_db",
            Kind.LEVEL,
            _LEVEL,
            "level exceeded by 5 % of the strikes (95th percentile, linear interpolation)",
        ),
        Column("median_lower_db", Kind.LEVEL, _LEVEL, f"lower end of the interval of median_db{_INTERVAL}"),
        Column("median_upper_db", Kind.LEVEL, _LEVEL, "upper end of it"),
        Column("exceeded_5_lower_db", Kind.LEVEL, _LEVEL, f"lower end of the interval of exceeded_5_db{_INTERVAL}"),
        Column("exceeded_5_upper_db", Kind.LEVEL, _LEVEL, "upper end of it"),
        Column("exceeded_50_db", Kind.LEVEL, _LEVEL, "level exceeded by 50 %"),
        Column("exceeded_90_db", Kind.LEVEL, _LEVEL, "level exceeded by 90 %"),
        Column("exceeded_95_db", Kind.LEVEL, _LEVEL, "level exceeded by 95 %"),
        Column("minimum_db", Kind.LEVEL, _LEVEL, "smallest level"),
        Column("maximum_db", Kind.LEVEL, _LEVEL, "largest level"),
        Column(
            "cumulative_exposure_level_db",
            Kind.LEVEL,
            "dB re 1 µPa² s",
            "exposure summed over these strikes; null for peak and rms",
        ),
        Column(
            "standard_uncertainty_db",
            Kind.LEVEL,
            "dB",
            "one standard deviation of a level of the row: strikes, system and common parts. That of mean_db; where "
            "that is null, what the levels as they stand (limits included) scatter, for the statistics that are known",
        ),
    ),
)
