"""Every flag: its name, its meaning, and what it takes a row out of."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Stage(StrEnum):
    """What a flag can take a row out of."""

    SUMMARY = "summary"
    FIT = "fit"
    COMPARISON = "comparison"
    AMBIENT = "ambient"


@dataclass(frozen=True, slots=True)
class Flag:
    """A flag of a table row or of a fit, bias or correction."""

    name: str
    applies_to: str
    meaning: str
    excluded_from: frozenset[Stage] = frozenset()


_ALL = frozenset({Stage.SUMMARY, Stage.FIT, Stage.COMPARISON})
_LEVELS_USE = frozenset({Stage.FIT, Stage.COMPARISON})

_FLAGS = (
    # strikes
    Flag(
        "clipped",
        "strikes",
        "samples at digital full scale in the pulse interval: peak and exposure are at least the value; rms, 125 ms "
        "and peak-to-peak levels and the kurtosis are too low by an unknown amount",
    ),
    Flag("not_in_log", "strikes", "no blow of the hammer log was matched; number and energy are null"),
    Flag(
        "match_ambiguous",
        "strikes",
        "two alignments with the hammer log, or two of its blows, are equally good: the number is null, and the energy "
        "too unless all blows that the strike may be agree within 5 %",
    ),
    Flag(
        "blow_number_doubtful",
        "strikes",
        "the log's times are coarse and the strike may be another blow, or one not in the log: the number is the "
        "likeliest; the energy is null unless all blows that it may be agree within 5 %",
    ),
    Flag(
        "energy_of_increment",
        "strikes",
        "the log holds only counts: the energy is the mean of the increment that the strike was laid into",
    ),
    Flag(
        "counts_not_reconciled",
        "strikes",
        "the counts of the driving log and the strikes heard differ by more than 10 %: energies are null",
    ),
    Flag(
        "outside_activities",
        "strikes",
        "within the pile's time but in none of its activities: what method and abatement held was not stated",
        _LEVELS_USE,
    ),
    Flag(
        "activity_boundary",
        "strikes",
        "within 5 s of a change of method or abatement: either may have held",
        _LEVELS_USE,
    ),
    Flag("outside_piling", "strikes", "no pile was being driven at that time", _ALL),
    Flag(
        "identity_ambiguous",
        "strikes",
        "which strike of the other stations this was cannot be decided: the identity follows the likeliest clock, "
        "nearest to the stated one; number and energy are null",
    ),
    Flag(
        "pile_ambiguous",
        "strikes",
        "two piles were being driven, and the strike may as well be the other one's",
        _ALL,
    ),
    Flag(
        "overlapping_piles",
        "strikes",
        "a strike of another pile arrives within the pulse interval, or its sound reaches into it",
        _ALL,
    ),
    Flag(
        "window_cut",
        "strikes",
        "the pulse interval ended at the longest window, or at the next strike, before the pulse had decayed",
    ),
    Flag("background_short", "strikes", "the quiet stretch before the strike is shorter than 200 ms"),
    Flag(
        "background_missing",
        "strikes",
        "no quiet stretch before the strike, or it began in another abatement state: nothing was subtracted",
        _ALL,
    ),
    Flag("recording_edge", "strikes", "the recording starts or ends within the pulse interval", _ALL),
    Flag(
        "second_look",
        "strikes",
        "found by the matched filter, blind or where the log or other stations expect it; its samples were read again",
    ),
    Flag(
        "not_heard",
        "strikes",
        "known from the log or from other stations, not heard here: the levels are limits from the background alone",
    ),
    Flag(
        "other_channel_used",
        "strikes",
        "another channel of the same hydrophone or depth of a mooring heard the strike better (unclipped, or with more "
        "signal to noise)",
        _LEVELS_USE,
    ),
    Flag(
        "flattened",
        "strikes",
        "flat tops below full scale, or the level at which the station's other strikes have them: an amplifier at its "
        "limit; peak and exposure are at least the value",
    ),
    Flag(
        "drop_out",
        "strikes",
        "a run of one value of 5 ms or more in the pulse interval or the quiet stretch before it: samples were lost",
        _ALL,
    ),
    Flag(
        "zeros",
        "strikes",
        "a run of zeros of 2 ms or more in the pulse interval or the quiet stretch before it: samples were lost",
        _ALL,
    ),
    Flag("spike", "strikes", "one or two samples far outside their neighbours in the pulse interval"),
    Flag("spike_at_peak", "strikes", "the largest sample of the pulse interval is such a spike, not sound", _ALL),
    Flag(
        "dc_shift",
        "strikes",
        "the sound's offset changes across the strike by a tenth of its peak or more: the step is in peak and exposure",
        _ALL,
    ),
    Flag(
        "self_noise",
        "strikes",
        "the background before the strike lies within 3 dB of the noise of quantisation, in the full band or in a band",
    ),
    Flag(
        "cable_knock",
        "strikes",
        "95 % of the energy below 45 Hz and a slow rise: a knock on cable or mooring rather than a strike",
        _ALL,
    ),
    Flag(
        "rejected_by_decision",
        "strikes",
        "a person looked at it and said that it is no strike; it is left out of cumulative exposures as well",
        _ALL,
    ),
    Flag(
        "excluded_by_decision",
        "strikes",
        "a strike, but a person kept it out of statistics and fits; it counts in cumulative exposures",
        _ALL,
    ),
    Flag(
        "unusable_stretch",
        "strikes",
        "in a stretch that a person said cannot be used; cumulative exposures are completed as over a gap",
        _ALL,
    ),
    Flag("accepted_by_decision", "strikes", "a person looked at it and said that it is a strike"),
    Flag("added_by_decision", "strikes", "a person found it; it was measured at the time that was given"),
    Flag("moved_by_decision", "strikes", "a person gave it another time, and it was measured there"),
    # background
    Flag(
        "unusable_second",
        "background",
        "overlaps a stretch that a person said cannot be used",
        frozenset({Stage.SUMMARY}),
    ),
    Flag("clipped_second", "background", "samples at digital full scale in the interval"),
    Flag(
        "drop_out_second",
        "background",
        "a run of one value of 5 ms or more: samples were lost",
        frozenset({Stage.SUMMARY}),
    ),
    Flag("zeros_second", "background", "a run of zeros of 2 ms or more: samples were lost", frozenset({Stage.SUMMARY})),
    Flag("spike_second", "background", "one or two samples far outside their neighbours", frozenset({Stage.SUMMARY})),
    Flag(
        "dc_shift_second",
        "background",
        "the sound's offset jumps by 1.5 times the second's rms or more",
        frozenset({Stage.SUMMARY}),
    ),
    Flag(
        "mains_hum_second", "background", "50 or 60 Hz and two harmonics stand out: mains in the chain, or a generator"
    ),
    Flag(
        "self_noise_second",
        "background",
        "the level lies within 3 dB of the noise of quantisation, in the full band or in a band",
    ),
    Flag(
        "frame_incomplete",
        "background",
        "the 2 s frame reaches beyond the recording: bands and weighted levels are null",
    ),
    Flag(
        "vessel_passage",
        "strikes, background",
        "a vessel passed then, as the campaign states: strikes and the levels of work are used as they are",
        frozenset({Stage.AMBIENT}),
    ),
    Flag(
        "partly_work",
        "background",
        "work on a pile reaches into the interval, which does not lie wholly in one activity: neither ambient sound "
        "nor wholly the work of its pile_id",
    ),
    # fits
    Flag("not_supported", "fit", "the data do not support this model: it is never selected"),
    Flag(
        "censored_rows",
        "fit",
        "some strikes are known only within limits (below the background, clipped); they are in the likelihood as such "
        "and the degrees of freedom of the intervals are approximate",
    ),
    Flag(
        "student_residual",
        "fit",
        "what is left of the cells was taken as Student's t with four degrees of freedom, as asked: single cells far "
        "off hardly move the law",
    ),
    Flag(
        "student_residual_refused",
        "fit",
        "a Student t residual was asked for, but some strikes are known only within limits, or the law has two "
        "regimes: what is left of the cells was taken as normal",
    ),
    Flag("few_piles", "fit", "fewer than ten piles: the intervals rest on small-sample degrees of freedom"),
    Flag("few_stations", "fit", "fewer than four places: the effect of the place is poorly known"),
    Flag(
        "two_ranges",
        "fit",
        "fewer than three distinct ranges (more than 5 % apart): one law cannot be told from another, and the simplest "
        "is taken",
    ),
    Flag("narrow_ranges", "fit", "the ranges lie within a factor of two: the slope is poorly known"),
    Flag(
        "place_and_chain_not_told_apart",
        "fit",
        "each place kept one measuring chain: the effect of the one cannot be told from the error of the other",
    ),
    Flag("one_station_decides", "fit", "without one of the stations the curve lies outside its own 95 % interval"),
    Flag("residuals_follow_energy", "fit", "what is left of the piles follows their mean strike energy"),
    Flag("residuals_follow_time", "fit", "what is left of the piles rises or falls in the course of the work"),
    Flag("residuals_curved", "fit", "what is left of the stations is curved in range: the law has another shape"),
    Flag(
        "bands_disagree",
        "fit",
        "the broadband level recomposed from the fits of the bands differs by more than 1 dB from the direct fit",
    ),
    Flag("energy_coefficient_assumed", "fit", "the energy coefficient is taken as 10 dB per decade, not fitted"),
    # comparison and bias
    Flag(
        "carried",
        "comparison",
        "the prediction was carried beyond its ranges (factor 1.5 at most) by the fit's slope",
    ),
    Flag(
        "basis_unknown",
        "comparison",
        "the prediction states neither statistic nor energy",
        frozenset({Stage.COMPARISON}),
    ),
    Flag(
        "beyond_prediction",
        "comparison",
        "the range lies too far outside the prediction's",
        frozenset({Stage.COMPARISON}),
    ),
    Flag("abatement_not_stated", "comparison", "the prediction does not say for which abatement it was made"),
    Flag(
        "receiver_differs",
        "comparison",
        "the prediction is for another receiver depth, or a maximum or mean over depth; such pairs have a bias of "
        "their own",
    ),
    Flag(
        "energy_beyond_factor_two",
        "comparison",
        "the predicted energy is more than a factor of two from those measured",
    ),
    Flag(
        "energy_not_matched",
        "comparison",
        "the prediction states an energy that could not be matched: none was logged",
    ),
    Flag(
        "range_varies",
        "comparison",
        "the station moved by over a tenth of its range: levels were brought to the median range by the fit's slope",
    ),
    Flag(
        "statistic_censored",
        "comparison",
        "censored strikes could move the statistic",
        frozenset({Stage.COMPARISON}),
    ),
    Flag(
        "strike_count_not_stated",
        "comparison",
        "a cumulative prediction does not say of how many strikes: what it and the hammer do cannot be told apart; no "
        "correction is made of it",
    ),
    Flag(
        "piles_summed",
        "comparison",
        "the sum over several piles of a day: the prediction is read at each pile's own distance, and `range_m` is "
        "their mean in lg R, both weighted by strikes",
    ),
    Flag(
        "range_statistic_differs",
        "bias",
        "the predicted distance is a 95th percentile or a maximum over bearings, the measured one that of the mean",
    ),
    Flag("within_margin", "bias", "the interval excludes zero but lies within the equivalence margin"),
    Flag("trend_not_estimated", "bias", "the ranges do not allow a slope of the bias: it is held at zero"),
    Flag(
        "level_rises_with_range", "fit", "the fitted spreading coefficient is not positive: no distance follows from it"
    ),
    Flag("extrapolated", "fit", "outside the range of the data"),
    # insertion loss
    Flag(
        "one_reference_pile",
        "insertion_loss",
        "one pile alone was struck without abatement: what differs between piles is in the difference as far as it was "
        "not struck with it too",
    ),
    Flag("few_abated_piles", "insertion_loss", "fewer than three piles were struck with the abatement"),
    Flag(
        "reference_is_soft_start",
        "insertion_loss",
        "all strikes without abatement are of soft starts or test blows: what else changes with the driving "
        "(penetration, contact of the hammer) cannot be told from the abatement",
    ),
    Flag(
        "energies_apart",
        "insertion_loss",
        "the median strike energies with and without differ by more than a factor of two",
    ),
    Flag(
        "energies_not_known",
        "insertion_loss",
        "no strike energies are known with or without: levels are compared as they were struck",
    ),
    Flag(
        "slope_assumed",
        "insertion_loss",
        "the ranges do not tell how the level falls: 15 ± 5 dB per decade is taken where ranges differ",
    ),
    Flag("places_not_shared", "insertion_loss", "no place heard both states: what differs between places is in it"),
    # corrections and forecasts
    Flag(
        "few_projects",
        "correction",
        "fewer than eight projects: the spread between projects is drawn towards a prior, or is one",
    ),
    Flag(
        "single_project", "correction", "in a pooled file: only one project has this group, its correction is as it was"
    ),
    Flag(
        "trend_of_some_projects", "correction", "not every project had ranges for a slope; it is that of those that had"
    ),
    Flag("outside_scope", "forecast", "outside what the correction was learnt from; outside_scope_in says in what"),
    Flag("no_correction", "forecast", "no correction of this method, quantity, weighting, band, statistic and group"),
    Flag("between_scopes", "forecast", "within the pooled ranges, but at none that a single project measured"),
    Flag("group_ambiguous", "forecast", "several corrections would do: state foundation, method, abatement, statistic"),
    Flag(
        "group_not_stated", "forecast", "the prediction states no foundation type or no method: the only one was taken"
    ),
    Flag("statistic_not_stated", "forecast", "the prediction states no statistic: the only one was taken"),
    Flag("one_project", "forecast", "the correction comes from one project: the spread between projects is assumed"),
    Flag(
        "exposure_correction_used",
        "forecast",
        "a cumulative exposure without a correction of its own took that of the exposure level",
    ),
    Flag(
        "no_predicted_levels",
        "forecast",
        "no two predicted levels say how the level falls about the predicted distance",
    ),
    Flag("levels_of_another_statistic", "forecast", "how the level falls is read off the levels of another statistic"),
    Flag("threshold_not_met", "forecast", "the corrected curve meets no threshold between 1 m and 1000 km"),
)
FLAGS: dict[str, Flag] = {flag.name: flag for flag in _FLAGS}
NOT_STRIKES = frozenset({"outside_piling", "cable_knock", "rejected_by_decision"})  # flags of rows that are no strikes


def flags_excluding(stage: Stage) -> frozenset[str]:
    """Names of the flags that take a row out of a stage."""
    return frozenset(name for name, flag in FLAGS.items() if stage in flag.excluded_from)
