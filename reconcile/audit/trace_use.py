"""What `trace` says of one strike's use: flags, summary, fit, comparison, and the pairs and biases that it enters."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from reconcile.audit.strike_rows import Row, Strike, records, time_us
from reconcile.campaign.station_periods import listeners
from reconcile.spreading.curves import level_curve
from reconcile.vocabulary.documents.campaign import Pile
from reconcile.vocabulary.tables import FLAGS, Stage, flags_excluding


def use_lines(strike: Strike, row: Row) -> Iterator[str]:
    """Whether the row was used in summary, fit and comparison, and why; the pairs that it enters."""
    flags = row["flags"]
    yield f"  Flags: {', '.join(flags) if flags else 'none'}"
    for name in flags:
        if name in FLAGS:
            yield f"    {name}: {FLAGS[name].meaning}"
    for stage in (Stage.SUMMARY, Stage.FIT, Stage.COMPARISON):
        used = _used(strike, row, stage)
        yield f"  Used in the {stage.value}: {used}"
        if stage is Stage.FIT and used.startswith("yes"):
            yield from _fit_lines(strike, row)
    yield from _pair_lines(strike, row)


def _used(strike: Strike, row: Row, stage: Stage) -> str:
    out = sorted(flags_excluding(stage).intersection(row["flags"]))
    if out:
        return f"no, for {', '.join(out)}"
    if row["pile_id"] is None:
        return "no, it belongs to no pile"
    if stage is Stage.FIT and strike.fit is None:
        return "no, nothing was fitted"
    if stage is Stage.COMPARISON and strike.comparison is None:
        return "no, nothing was compared"
    if stage is not Stage.SUMMARY and (put_to := _listener(strike, row)) != row["station_id"]:
        return f"yes, put down to {put_to}, which listens at the same place"
    kinds = {row["peak_censoring"], row["exposure_censoring"]}
    return "yes" if kinds <= {"none", None} else "yes (censored levels as limits)"


def _fit_lines(strike: Strike, row: Row) -> Iterator[str]:
    """The chosen fits of the strike's group, and how its exposure level lies about their curve."""
    pile, method, abatement = _state(strike, row)
    group = (method, pile.foundation_type, abatement.strip().casefold())
    chosen = [
        fit
        for fit in (strike.fit.fits if strike.fit else ())
        if fit.selected
        and (fit.installation_method, fit.foundation_type, (fit.abatement or "").strip().casefold()) == group
    ]
    yield f"    {len(chosen)} chosen fits of {method}, {pile.foundation_type}, abatement {abatement!r}"
    for fit in chosen:
        full_band = (fit.quantity, fit.weighting, fit.band_hz) == ("exposure_level", "none", None)
        if full_band and row["range_m"] is not None and row["exposure_level_db"] is not None:
            curve = float(level_curve(fit, [row["range_m"]])[0])
            energy, reference = row["energy_kj"], fit.reference_energy_kj
            if energy and reference:
                curve += fit.coefficients.energy_coefficient_db_per_decade.value * np.log10(energy / reference)
            at = "this range and energy" if energy and reference else "this range"
            apart = f"{row['exposure_level_db'] - curve:+.2f} dB from it"
            yield f"    full-band exposure level: {fit.model} gives {curve:.2f} dB at {at}, the strike lies {apart}"


def _listener(strike: Strike, row: Row) -> str:
    stations, times = np.array([row["station_id"]], dtype=object), np.array([time_us(row)], dtype=np.int64)
    return str(listeners(strike.campaign, stations, times)[0])


def _state(strike: Strike, row: Row) -> tuple[Pile, str, str]:
    """The pile, and method and abatement that held for the strike."""
    pile = strike.campaign.pile(row["pile_id"])
    held = [a for a in strike.campaign.activities if a.activity_id == row.get("activity_id")]
    state = held[0] if held else pile
    return pile, state.installation_method, state.abatement


def _pair_lines(strike: Strike, row: Row) -> Iterator[str]:
    if strike.comparison is None or row["pile_id"] is None:
        return
    _, method, abatement = _state(strike, row)
    table = strike.comparison
    mine = table["pile_id"].eq(row["pile_id"]) & table["station_id"].eq(_listener(strike, row))
    alike = table["abatement"].str.strip().str.casefold().eq(abatement.strip().casefold())
    pairs = table[mine & alike & table["installation_method"].eq(method)]
    if pairs.empty:
        yield "  Pairs: none for this pile and station (unpaired.parquet says why)"
        return
    excluded = bool(flags_excluding(Stage.COMPARISON).intersection(row["flags"]))
    yield f"  Pairs of this pile and station{' (without this strike)' if excluded else ' that it enters'}:"
    for pair in records(pairs):
        yield f"    {_pair(pair)}"
        yield from (f"      {line}" for line in _biases(strike, pair))


def _pair(pair: Row) -> str:
    band = "" if pair["band_hz"] is None else f", {pair['band_hz']:g} Hz"
    weighting = "" if pair["weighting"] == "none" else f", {pair['weighting']}"
    flags, statistic = pair["flags"], pair["statistic"] or "statistic not stated,"
    counted = "counted" if pair["counted"] else f"not counted ({', '.join(flags) or 'no flag'})"
    return (
        f"{pair['prediction_id']}, {statistic} {pair['quantity']}{weighting}{band}: "
        f"predicted {_db(pair['predicted_db'])}, measured {_db(pair['measured_db'])} ± "
        f"{_db(pair['measured_uncertainty_db'])} dB over {pair['n_strikes']} strikes, "
        f"bias {_db(pair['bias_db'], '+')} dB, {counted}"
    )


def _db(value: float | None, sign: str = "") -> str:
    return "unknown" if value is None else f"{value:{sign}.2f}"


def _biases(strike: Strike, pair: Row) -> Iterator[str]:
    """The bias that a counted pair is part of."""
    if strike.bias is None or not pair["counted"]:
        return
    same: Sequence[str] = (
        "prediction_id",
        "model_id",
        "quantity",
        "weighting",
        "installation_method",
        "foundation_type",
    )
    for bias in strike.bias.biases:
        if bias.band_hz == pair["band_hz"] and all(getattr(bias, name) == pair[name] for name in same):
            alike = bias.abatement.strip().casefold() == str(pair["abatement"]).strip().casefold()
            if alike and (bias.statistic or "median") == pair["statistic"]:
                low, high = bias.bias_at_reference_interval_95_db
                yield (
                    f"in the bias at {bias.reference_range_m:g} m of {bias.bias_at_reference_db:+.2f} dB "
                    f"({low:+.2f} to {high:+.2f} dB), from {bias.n_pairs} pairs: {bias.finding}"
                )
