"""`insertion_loss`: how much quieter piles were with abatement than without."""

from __future__ import annotations

from reconcile.vocabulary.tables.column import Column, Kind, Table

INSERTION_LOSS = Table(
    "insertion_loss",
    "installation method, foundation type, abatement, level (quantity, weighting, band) and place (null: all places)",
    (
        Column("installation_method", Kind.TEXT, "", "installation method; only impact is compared"),
        Column("foundation_type", Kind.TEXT, "", "foundation type"),
        Column("abatement", Kind.TEXT, "", "abatement whose insertion loss this is"),
        Column("reference_abatement", Kind.TEXT, "", "state that it is held against: none"),
        Column("quantity", Kind.TEXT, "", "peak_level, exposure_level or rms_level"),
        Column("weighting", Kind.TEXT, "", "none, or set and group as in nmfs-2024:LF"),
        Column("band_hz", Kind.LEVEL, "Hz", "nominal decidecade centre; null for the full band"),
        Column("mooring_id", Kind.TEXT, "", "place of the hydrophones; null for all places together"),
        Column(
            "insertion_loss_db", Kind.LEVEL, "dB", "level without less that with the abatement: positive is quieter"
        ),
        Column("standard_uncertainty_db", Kind.LEVEL, "dB", "one standard deviation, all parts that do not cancel"),
        Column(
            "lower_95_db", Kind.LEVEL, "dB", "lower end of the 95 % interval; null where only an upper one is known"
        ),
        Column("upper_95_db", Kind.LEVEL, "dB", "upper end of it; null where only a lower one is known"),
        Column("degrees_of_freedom", Kind.LEVEL, "1", "of that interval (Student's t)"),
        Column(
            "censoring",
            Kind.TEXT,
            "",
            "none; at_least where the sound with abatement was hidden by the background (or that without was clipped): "
            "the true loss is this or more; at_most the reverse; not_known",
        ),
        Column("n_piles", Kind.COUNT, "1", "piles with the abatement"),
        Column("n_reference_piles", Kind.COUNT, "1", "piles without"),
        Column("n_paired_piles", Kind.COUNT, "1", "piles that were struck with it and without it"),
        Column("n_paired_places", Kind.COUNT, "1", "places that heard both"),
        Column("n_strikes", Kind.COUNT, "1", "levels (strike and station) with the abatement, censored ones included"),
        Column("n_censored", Kind.COUNT, "1", "censored ones of these"),
        Column("n_reference_strikes", Kind.COUNT, "1", "levels without the abatement, censored ones included"),
        Column("n_reference_censored", Kind.COUNT, "1", "censored ones of these"),
        Column("energy_shift_db", Kind.LEVEL, "dB", "part of the plain difference that the strike energies explain"),
        Column("energy_uncertainty_db", Kind.LEVEL, "dB", "part of the uncertainty from the energy coefficient"),
        Column("spread_between_piles_db", Kind.LEVEL, "dB", "standard deviation between piles, at least 1.5 dB"),
        Column("flags", Kind.FLAGS, "", "see the table of flags"),
    ),
)
