"""The CSV files of `pool` and `forecast`: `forecast.csv`, `forecast_ranges.csv` and the table of foundations."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import Column, Kind, Table

_LEVEL = "dB re 1 µPa (peak, rms) or 1 µPa² s (exposure)"
_OUTSIDE = Column(
    "outside_scope_in",
    Kind.TEXT,
    "",
    "in what the row lies outside the scope: range_m, energy_kj, diameter_m, water_depth_m, with `;` between them",
)
_FLAGS = Column("flags", Kind.TEXT, "", "names of flags with `;` between them; see the table of flags")
_GROUP = Column("correction_group", Kind.TEXT, "", "foundation type, method, abatement of the correction that was used")

FORECAST = Table(
    "forecast",
    "row of predictions.csv, after its own columns",
    (
        Column("correction_db", Kind.LEVEL, "dB", "what was added to level_db"),
        Column("corrected_level_db", Kind.LEVEL, _LEVEL, "predicted level plus correction; empty without one"),
        Column("lower_95_db", Kind.LEVEL, _LEVEL, "lower end of the 95 % interval for a pile of a new project"),
        Column("upper_95_db", Kind.LEVEL, _LEVEL, "upper end of it"),
        _GROUP,
        _OUTSIDE,
        _FLAGS,
    ),
)
FORECAST_RANGES = Table(
    "forecast_ranges",
    "row of predicted_ranges.csv, after its own columns",
    (
        Column("corrected_range_m", Kind.LEVEL, "m", "where the corrected curve of levels meets the threshold"),
        Column("lower_95_m", Kind.LEVEL, "m", "where the lower end of the levels' 95 % interval meets it"),
        Column("upper_95_m", Kind.LEVEL, "m", "where the upper end meets it; empty where it does not"),
        _GROUP,
        _OUTSIDE,
        _FLAGS,
    ),
)
FOUNDATIONS = Table(
    "foundations",
    "project, foundation type, installation method and abatement",
    (
        Column("project", Kind.TEXT, "", "project"),
        Column("foundation_type", Kind.TEXT, "", "foundation type"),
        Column("installation_method", Kind.TEXT, "", "installation method"),
        Column("abatement", Kind.TEXT, "", "abatement"),
        Column("reference_range_m", Kind.LEVEL, "m", "range to which levels were brought"),
        Column("n_piles", Kind.COUNT, "1", "piles"),
        Column("diameter_m", Kind.LEVEL, "m", "diameter, median over the piles"),
        Column("rated_energy_kj", Kind.LEVEL, "kJ", "rated energy of the hammer, median over the piles"),
        Column("strike_energy_kj", Kind.LEVEL, "kJ", "energy of the median strike as logged"),
        Column("water_depth_m", Kind.LEVEL, "m", "water depth, median over the piles"),
        Column("duration_h", Kind.LEVEL, "h", "end less start of the installation, median over the piles"),
        Column("exposure_level_db", Kind.LEVEL, "dB re 1 µPa² s", "of one strike (impact) or of one second"),
        Column("exposure_standard_error_db", Kind.LEVEL, "dB", "its standard error"),
        Column("peak_level_db", Kind.LEVEL, "dB re 1 µPa", "zero-to-peak level"),
        Column("peak_standard_error_db", Kind.LEVEL, "dB", "its standard error"),
        Column(
            "activity_exposure_db", Kind.LEVEL, "dB re 1 µPa² s", "exposure over a whole installation, mean of piles"
        ),
        Column("activity_standard_error_db", Kind.LEVEL, "dB", "its standard error"),
        Column(
            "basis",
            Kind.TEXT,
            "",
            "where levels come from: fit; summary (least squares on log range); assumed_slope (15 dB per decade); none",
        ),
    ),
)
