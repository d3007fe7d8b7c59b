"""`residuals`: what the chosen fits leave of each pile at each place."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import Column, Kind, Table

RESIDUALS = Table(
    "residuals",
    "chosen fit, pile and place (and twentieth of a decade of range, of a station that moves)",
    (
        Column("quantity", Kind.TEXT, "", "quantity of the fit"),
        Column("weighting", Kind.TEXT, "", "none, or set and group"),
        Column("band_hz", Kind.LEVEL, "Hz", "nominal centre of the decidecade; null for the full band"),
        Column("installation_method", Kind.TEXT, "", "installation method of the fit's group"),
        Column("foundation_type", Kind.TEXT, "", "foundation type of the fit's group"),
        Column("abatement", Kind.TEXT, "", "abatement of the fit's group"),
        Column("model", Kind.TEXT, "", "the chosen model"),
        Column("pile_id", Kind.TEXT, "", "pile"),
        Column("mooring_id", Kind.TEXT, "", "place"),
        Column("system_id", Kind.TEXT, "", "measuring chain of most of the strikes"),
        Column("time_utc", Kind.TIME, "", "mean time of the strikes"),
        Column("range_m", Kind.LEVEL, "m", "mean distance (of its logarithm)"),
        Column("energy_kj", Kind.LEVEL, "kJ", "geometric mean of the strike energies; null where not known"),
        Column("n_strikes", Kind.COUNT, "1", "strikes used, those known within limits included"),
        Column("n_censored", Kind.COUNT, "1", "of these, known only within limits"),
        Column(
            "level_db",
            Kind.LEVEL,
            "dB, reference as of the quantity",
            "mean level at the reference energy; with limits, what they and the known strikes together say of it",
        ),
        Column("fitted_db", Kind.LEVEL, "dB, reference as of the quantity", "the curve there"),
        Column(
            "residual_db",
            Kind.LEVEL,
            "dB",
            "level less curve: pile, place, chain and the rest together; null where no strike's level is known",
        ),
    ),
)
