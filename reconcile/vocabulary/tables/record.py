"""`record` and `pile_distances`: the sound field verification of each pile, flat."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import RECORDED_FRACTION, Column, Kind, Table

_LEVEL = "dB re 1 µPa (peak, rms) or 1 µPa² s (exposure)"

RECORD = Table(
    "record",
    "pile, station, installation method, abatement, quantity, weighting, band and statistic",
    (
        Column("pile_id", Kind.TEXT, "", "pile"),
        Column("mooring_id", Kind.TEXT, "", "place of the hydrophone"),
        Column("hydrophone_depth_m", Kind.LEVEL, "m", "depth of the hydrophone; null where not stated"),
        Column("range_m", Kind.LEVEL, "m", "horizontal distance from pile to hydrophone, median over the strikes"),
        Column("quantity", Kind.TEXT, "", "peak_level, exposure_level, rms_level or cumulative_exposure_level"),
        Column(
            "statistic",
            Kind.TEXT,
            "",
            "median, mean (of the levels), energy_mean, minimum, maximum, exceeded_5, exceeded_95 (level exceeded by 5 "
            "or 95 %); of a sum: measured, upper (with the limits of hidden strikes), completed (with what gaps hid)",
        ),
        Column("value_db", Kind.LEVEL, _LEVEL, "the level; null where censored strikes could move it"),
        Column("uncertainty_db", Kind.LEVEL, "dB", "one standard deviation, all parts"),
        Column("n", Kind.COUNT, "1", "strikes (seconds, where not driven by impact), censored ones included"),
        RECORDED_FRACTION,
        Column("station_id", Kind.TEXT, "", "station"),
        Column("weighting", Kind.TEXT, "", "none, or set and group as in nmfs-2024:LF"),
        Column("band_hz", Kind.LEVEL, "Hz", "nominal decidecade centre; null for the full band"),
        Column("installation_method", Kind.TEXT, "", "installation method"),
        Column(
            "abatement", Kind.TEXT, "", "abatement; each state has rows of its own; null for sums over a whole pile"
        ),
        Column("n_censored", Kind.COUNT, "1", "censored ones of n; null for sums"),
        Column("prediction_id", Kind.TEXT, "", "prediction that this statistic is held against; null for none"),
        Column("predicted_db", Kind.LEVEL, _LEVEL, "the prediction at the station's range"),
        Column(
            "measured_less_predicted_db",
            Kind.LEVEL,
            "dB",
            "value_db less predicted_db: positive where measured is louder (the sign of a bias is the other way round)",
        ),
        Column(
            "outcome", Kind.TEXT, "", "beyond (by over 1.645 uncertainties), within_uncertainty, not_beyond, or null"
        ),
    ),
)

PILE_DISTANCES = Table(
    "pile_distances",
    "pile, abatement and predicted distance to a level",
    (
        Column("pile_id", Kind.TEXT, "", "pile"),
        Column("abatement", Kind.TEXT, "", "abatement"),
        Column("prediction_id", Kind.TEXT, "", "prediction"),
        Column("quantity", Kind.TEXT, "", "quantity"),
        Column("weighting", Kind.TEXT, "", "none, or set and group as in nmfs-2024:LF"),
        Column("threshold_db", Kind.LEVEL, _LEVEL, "the level"),
        Column("statistic", Kind.TEXT, "", "statistic over the strikes"),
        Column("range_statistic", Kind.TEXT, "", "what the predicted distance is of all bearings: mean, r95, maximum"),
        Column("predicted_m", Kind.LEVEL, "m", "predicted distance"),
        Column("measured_m", Kind.LEVEL, "m", "distance by the pile's own levels and the slope of the fitted curve"),
        Column("lower_95_m", Kind.LEVEL, "m", "lower end of the curve's 95 % interval there; null for none"),
        Column("upper_95_m", Kind.LEVEL, "m", "upper end of it"),
        Column("extrapolated", Kind.TRUTH, "", "outside the measured ranges"),
        Column("n_stations", Kind.COUNT, "1", "stations whose levels of this pile were used"),
        Column("outcome", Kind.TEXT, "", "beyond (interval and all), within_uncertainty, not_beyond, or null"),
        Column("reason", Kind.TEXT, "", "why there is no measured distance; else null"),
    ),
)
