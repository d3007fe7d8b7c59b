"""`comparison` and `unpaired`: predictions held against measurements."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import Column, Kind, Table

_LEVEL = "dB re 1 µPa (peak, rms) or 1 µPa² s (exposure)"

COMPARISON = Table(
    "comparison",
    "pile, station and prediction row group",
    (
        Column("pile_id", Kind.TEXT, "", "pile"),
        Column("station_id", Kind.TEXT, "", "station"),
        Column("system_id", Kind.TEXT, "", "measuring chain of the station (of most strikes)"),
        Column("mooring_id", Kind.TEXT, "", "place of the hydrophone (at most strikes)"),
        Column("prediction_id", Kind.TEXT, "", "prediction"),
        Column("quantity", Kind.TEXT, "", "quantity that was predicted"),
        Column("weighting", Kind.TEXT, "", "none, or set and group as in nmfs-2024:LF"),
        Column("band_hz", Kind.LEVEL, "Hz", "nominal decidecade centre; null for the full band"),
        Column("statistic", Kind.TEXT, "", "statistic over the strikes"),
        Column("range_m", Kind.LEVEL, "m", "horizontal distance from pile to hydrophone"),
        Column("n_strikes", Kind.COUNT, "1", "strikes that the statistic is of"),
        Column(
            "measured_db",
            Kind.LEVEL,
            _LEVEL,
            "measured statistic, at the predicted strike energy where both are known",
        ),
        Column("measured_uncertainty_db", Kind.LEVEL, "dB", "one standard deviation of measured_db"),
        Column("strike_uncertainty_db", Kind.LEVEL, "dB", "part of it from the scatter of the strikes"),
        Column("energy_uncertainty_db", Kind.LEVEL, "dB", "part of it from bringing levels to the predicted energy"),
        Column("predicted_db", Kind.LEVEL, _LEVEL, "prediction at the station's range"),
        Column(
            "predicted_extrapolated",
            Kind.TRUTH,
            "",
            "the range lies further out than a prediction is carried",
        ),
        Column("bias_db", Kind.LEVEL, "dB", "predicted minus measured"),
        Column(
            "n_strikes_as_recorded",
            Kind.COUNT,
            "1",
            "strikes that the statistic as struck is of, those without a known energy included",
        ),
        Column("measured_as_recorded_db", Kind.LEVEL, _LEVEL, "measured statistic at the energies as struck"),
        Column("predicted_energy_kj", Kind.LEVEL, "kJ", "strike energy that the prediction was made for"),
        Column(
            "energy_gap_decades",
            Kind.LEVEL,
            "1",
            "mean over the strikes of log10 of predicted over measured energy",
        ),
        Column(
            "energy_part_db",
            Kind.LEVEL,
            "dB",
            "part of predicted less recorded that the strike energies make; null where they are not known",
        ),
        Column(
            "strike_count_part_db",
            Kind.LEVEL,
            "dB",
            "the same for the number of strikes in a cumulative level, for each pile",
        ),
        Column("piles_part_db", Kind.LEVEL, "dB", "the same for the number of piles in a day"),
        Column(
            "acoustic_bias_db",
            Kind.LEVEL,
            "dB",
            "bias of one strike at the predicted energy: what a correction takes; null where a cumulative prediction "
            "does not say of how many strikes",
        ),
        Column("predicted_sd_db", Kind.LEVEL, "dB", "standard deviation that the prediction states of itself"),
        Column("receiver", Kind.TEXT, "", "receiver predicted for, where the hydrophone lay at another depth"),
        Column("model_id", Kind.TEXT, "", "method that made the prediction"),
        Column("installation_method", Kind.TEXT, "", "installation method of the pile"),
        Column("foundation_type", Kind.TEXT, "", "foundation type of the pile"),
        Column("abatement", Kind.TEXT, "", "abatement of the pile"),
        Column("counted", Kind.TRUTH, "", "whether the pair counts in the bias"),
        Column("flags", Kind.FLAGS, "", "see the table of flags"),
    ),
)

UNPAIRED = Table(
    "unpaired",
    "prediction row group, or pile and station, that found no partner",
    (
        Column("prediction_id", Kind.TEXT, "", "prediction; null where a measurement found none"),
        Column("quantity", Kind.TEXT, "", "quantity"),
        Column("weighting", Kind.TEXT, "", "none, or set and group as in nmfs-2024:LF"),
        Column("band_hz", Kind.LEVEL, "Hz", "nominal decidecade centre; null for the full band"),
        Column("pile_id", Kind.TEXT, "", "pile; null where none has this prediction"),
        Column("station_id", Kind.TEXT, "", "station; null where the reason holds for all"),
        Column("reason", Kind.TEXT, "", "why it could not be paired"),
    ),
)
