"""Writes a commented campaign to fill in. Its numbers are invented."""

from __future__ import annotations

from pathlib import Path

from reconcile.vocabulary.errors import Fault, InputError, MachineError

CAMPAIGN_TOML = """\
# A campaign to fill in; every number here is invented. Lines with # are optional keys or explanations.
# Levels are in dB re 1 µPa (sound pressure) and 1 µPa² s (sound exposure). Times are UTC and end in Z.
# All else is SI, with the unit in the name. Paths are relative to this folder and stay inside it.
format_version = 1

[campaign]
name = "Name of the project"
water_depth_m = 28.0              # of the site; optional
sound_speed_m_s = 1490.0          # or state temperature_c and salinity instead; without either, 1500
# temperature_c = 11.0
# salinity = 34.0                 # both serve the absorption in the bands' fits too; unless stated 10 and 35
# acidity_ph = 8.0                # the same; 8 unless stated
common_uncertainty_db = 0.5       # standard uncertainty shared by all systems: same laboratory, coupler, method

# One measuring chain: hydrophone, amplifier, recorder. One [[systems]] for each.
[[systems]]
id = "H1"
sensitivity_db = -176.0           # of the hydrophone, dB re 1 V/µPa: a negative number
gain_db = 20.0                    # all amplification between hydrophone and converter
full_scale_v = 2.5                # zero-to-peak volts at digital full scale
standard_uncertainty_db = 0.7     # of the whole chain, one standard deviation
# uncertainty_components_db = { sensitivity = 0.5, gain = 0.1, directivity = 0.3 }  # parts of it that are known
valid_from_hz = 10.0              # band in which the chain is calibrated; 10 Hz unless stated,
# valid_to_hz = 40000.0           # to 0.45 of the sampling rate unless stated
# sensitivity_curve = "calibration/H1.csv"  # frequency_hz,sensitivity_db: corrects the pressure itself

# The other way to state a chain: one end-to-end number in place of the three.
# [[systems]]
# id = "H2"
# end_to_end_sensitivity_db = -164.0   # dB re (full scale)/µPa
# standard_uncertainty_db = 0.7

# A calibrator tone recorded in the field; belongs to the system above it. Its file must be there.
# [[systems.checks]]
# file = "recordings/checks/H1_before.wav"
# channel = 1
# level_db = 160.0                # rms level in the coupler, dB re 1 µPa
# frequency_hz = 250.0
# when = "before"                 # or "after"; or in place of it time_utc = "2025-05-01T06:00:00Z"
# time_utc = "2025-05-01T06:00:00Z"
# standard_uncertainty_db = 0.3
# drift = "linear"                # until the next check: "linear", or "step" together with
# step_utc = "2025-05-01T07:00:00Z"

# One hydrophone at one place. One [[stations]] for each.
[[stations]]
id = "S750"
system = "H1"                     # the id of a system above
channel = 1                       # of the recordings; 1 is the first
latitude_deg = 54.101             # WGS 84; both may be absent where ranges.csv gives the distances
longitude_deg = 6.502
hydrophone_depth_m = 18.0
water_depth_m = 27.0
recordings = "recordings/S750/*.wav"       # which files, or their URL: see recordings/README.txt
time_pattern = "S750_%Y%m%dT%H%M%S.%fZ"    # how their names (without .wav) state the time of the first sample;
                                           # leave it out where the files carry a bext chunk, or where a table
                                           # recording,start_utc says it: start_times = "start_times.csv"
# mooring_id = "M1"               # the place; one for several hydrophones there; the station's own id unless stated
clock_offset_s = 0.0              # recorder clock minus UTC at the first sample
clock_drift_ppm = 0.0             # positive: the recorder's clock runs fast

[recordings]
time_zone = "UTC"                 # of the times in file names and bext chunks, for example "Europe/Berlin"

[settings]                        # all optional; these are the defaults
weightings = ["nmfs-2024:LF", "nmfs-2024:HF", "nmfs-2024:VHF", "nmfs-2024:PW", "nmfs-2024:OW"]
calibration_source = "certificate"  # or "field_checks": levels follow the checks, interpolated in time
field_check_tolerance_db = 0.5    # a check further from the stated chain gives a warning
censor_below_snr_db = 3.0         # below this signal to noise a level is an upper limit
window_max_s = 0.75               # the longest pulse, 0.2 to 5 s
equivalence_margin_db = 3.0       # a bias that lies within it is said to
# A set alone, such as "southall-2019", stands for all its groups. Sets: nmfs-2018, southall-2019, nmfs-2024, navy-2017.
# criteria = ["nmfs-2024", "germany-windseev"]  # thresholds and limits that levels are held against: docs/criteria.md
# criteria_file = "criteria.toml" # sets of your own, chosen by their names in criteria
# effective_quiet_db = 150.0      # a sum without strikes below this exposure level is added to the cumulative exposure
# local_time_zone = "Europe/Berlin"  # the cumulative exposure of local days is added
# oversampled_peak = true         # the peak at four times the sampling rate, in a column of its own, is added
# tones_of = ["vibratory"]        # methods whose tonal lines are followed; also "drilled", "suction",
                                  # "dredging", "other" (all but "impact"), or none: []
# robust_fits = true              # fits of level against range that a few places far off hardly move (Student's t)

# A limit of the permit. Levels of hydrophones within 10 % of its distance are held against it, as recorded.
# [[limits]]
# id = "permit, exposure"
# quantity = "exposure_level"     # or peak_level, rms_level, max_125ms_level, cumulative_exposure_level
# weighting = "none"              # or set and group
# statistic = "exceeded_5"        # or mean, energy_mean, median, maximum; the loudest strike unless stated
# level_db = 160.0
# range_m = 750.0                 # where it holds; every hydrophone unless stated
# slope_db_per_decade = 15.0      # by which levels are brought to that distance
# source_type = "impulsive"       # impact driving only; or "non_impulsive", or "any"
# source = "Permit 12/2025, condition 4"
# date = "2025-02-01"
# note = "soft start included"

# [[limits]]
# id = "permit, exposure of a fleeing animal"
# quantity = "cumulative_exposure_level"
# level_db = 140.0
# weighting = "southall-2019:VHF"
# period = "pile"                 # or utc_day, local_day, 24_h_from_first_strike, stated (every one of the [[periods]])
# fleeing_speed_m_s = 1.5         # together with start_range_m: a receptor that flees in a straight line, by the fit
# start_range_m = 200.0
# source = "Permit 12/2025, condition 5"

# A period over which exposure is summed, beside each pile, UTC day and 24 h from the first strike.
# [[periods]]
# id = "May"
# start_utc = "2025-05-01T00:00:00Z"
# end_utc = "2025-06-01T00:00:00Z"

# A vessel passed: its time is marked, and left out of the ambient sound. Without station_id at every station.
# [[vessel_passages]]
# station_id = "S750"
# from_utc = "2025-05-01T07:20:00Z"
# to_utc = "2025-05-01T07:35:00Z"
# note = "supply vessel, 300 m"
"""

PILES_CSV = """\
pile_id,foundation_type,installation_method,diameter_m,water_depth_m,latitude_deg,longitude_deg,rated_energy_kj,\
abatement,start_utc,end_utc,prediction_id
P01,monopile,impact,8.0,28.0,54.106,6.510,3000,none,2025-05-01T08:00:00Z,2025-05-01T10:30:00Z,ES1
"""

BLOWS_CSV = """\
pile_id,blow_number,time_utc,energy_kj,penetration_m
P01,1,2025-05-01T08:00:05.000Z,450,2.10
P01,2,2025-05-01T08:00:07.000Z,460,2.14
"""

PREDICTIONS_CSV = """\
prediction_id,quantity,weighting,band_hz,range_m,level_db,standard_deviation_db,statistic,energy_kj,model_id,abatement
ES1,exposure_level,none,,750,176.0,2.0,median,3000,model 1.0,none
ES1,exposure_level,none,,1500,171.5,2.0,median,3000,model 1.0,none
ES1,peak_level,none,,750,198.0,2.0,median,3000,model 1.0,none
"""

PREDICTED_RANGES_CSV = """\
prediction_id,quantity,weighting,threshold_db,range_m,model_id,abatement,statistic,energy_kj
ES1,exposure_level,none,160,8000,model 1.0,none,median,3000
"""

README_TXT = """\
Put the recordings here, one folder for each station:

    recordings/S750/S750_20250501T075500.000000Z.wav

The name states the time of the first sample, here 1 May 2025, 07:55:00 UTC, by the time_pattern of the station in
campaign.toml (%Y year, %m month, %d day, %H hour, %M minute, %S second, %f fraction of a second). Files that carry a
bext chunk need no pattern. WAV (16, 24 or 32-bit integer, 32 or 64-bit float; also RF64 and BW64) and FLAC are read.
Recordings that lie elsewhere are reached with --recordings FOLDER, where FOLDER may be a URL such as
s3://bucket/season; or a station's recordings may be a URL itself: "s3://bucket/season/S750/*.wav".

The tables beside this folder: piles.csv is required. blows.csv (the hammer log), predictions.csv and
predicted_ranges.csv are optional: fill them in or delete them. ranges.csv (pile_id,station_id,range_m,
standard_uncertainty_m: all four columns, cells of the last may be empty) may be added; it overrides the distances
computed from the positions. What changed in the course
of the work goes into deployments.csv (station_id,mooring_id,system_id,channel,gain_db,latitude_deg,longitude_deg,
position_uncertainty_m,hydrophone_depth_m,water_depth_m,from_utc,to_utc,clock_offset_s,clock_drift_ppm: a filled cell
replaces the station's value between the two times), a drifting station into tracks.csv (station_id,time_utc,
latitude_deg,longitude_deg,hydrophone_depth_m,standard_uncertainty_m). An empty cell means not known.
Where a pile was worked on in several ways (vibratory, then impact; a restrike after midnight; a bubble curtain on
halfway), activities.csv says when (activity_id,pile_id,installation_method,phase,abatement,start_utc,end_utc): method
and abatement replace the pile's between the two times, and are the pile's where empty; phase is soft_start,
full_drive, restrike, test_blow or other, and recognised where empty. Where single blows were not logged,
driving_log.csv holds the counts (pile_id,start_utc,end_utc,from_penetration_m,to_penetration_m,n_blows,
mean_energy_kj); times may be empty where penetrations are given, and the rows are then in the order of driving.
foundation_type: monopile, jacket, tripod, tripile, jack_up, suction_bucket, gravity_base, floating_anchor, other.
installation_method: impact, vibratory, drilled, suction, dredging, other. abatement: none, or free text.
"""

FILES = {
    "campaign.toml": CAMPAIGN_TOML,
    "piles.csv": PILES_CSV,
    "blows.csv": BLOWS_CSV,
    "predictions.csv": PREDICTIONS_CSV,
    "predicted_ranges.csv": PREDICTED_RANGES_CSV,
    "recordings/README.txt": README_TXT,
}


def new_campaign(folder: Path) -> list[Path]:
    """Write a commented campaign to fill in; returns the files written.

    Raises InputError where the folder holds something already, MachineError where it cannot be written.
    """
    try:
        if folder.exists() and not (folder.is_dir() and not any(folder.iterdir())):
            found = "a folder that is not empty" if folder.is_dir() else "something that is not a folder"
            raise InputError([Fault(str(folder), "", found, "a new or an empty folder")])
        (folder / "recordings").mkdir(parents=True)
        for name, text in FILES.items():
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise MachineError(str(error.filename or folder), error.strerror or "cannot be written") from error
    return [folder / name for name in FILES]
