// What is known of a strike as text: levels, doubts, flags, the same strike at other stations.

import { moment, microseconds, number, words } from "./format.js";

const by = (id) => document.getElementById(id);

export function element(name, text = "", className = "") {
  const made = document.createElement(name);
  if (text !== "") made.textContent = text;
  if (className) made.className = className;
  return made;
}

const LIMITS = { at_most: "at most ", at_least: "at least " };

// `row`: the strike's row; `median`: of its pile and station, with how many; `pending`: what was decided since the run.
export function showFacts(row, median, pending) {
  const level = (value, unit, digits = 1) => (value === null ? "not measured" : `${number(value, digits)} ${unit}`);
  const facts = [
    ["Found as", row.kind === "rejected" ? "pulse that a rule took out" : row.strike_id],
    ["Pile", row.pile_id ?? "none"],
    ["5 % of the energy at", `${moment(microseconds(row.time_utc))} UTC`],
    ["Exposure level", `${LIMITS[row.exposure_censoring] ?? ""}${level(row.exposure_level_db, "dB re 1 µPa² s")}`],
    ["Peak level", level(row.peak_level_db, "dB re 1 µPa")],
    ["Signal to noise", level(row.signal_to_noise_db, "dB")],
    ["Background level", level(row.noise_level_db, "dB re 1 µPa")],
    ["5 % to 95 % duration", row.pulse_duration_s === null ? "not measured" : `${number(row.pulse_duration_s * 1000)} ms`],
    ["Pulse interval", row.window_s === null ? "not known" : `${number(row.window_s * 1000, 0)} ms`],
    ["Hammer energy", row.energy_kj === null ? "not known" : `${number(row.energy_kj, 0)} kJ`],
    ["Blow number", row.blow_number === null ? "not known" : String(row.blow_number)],
    ["Range", row.range_m === null ? "not known" : `${number(row.range_m, 0)} m`],
    ["Recording", `${row.recording}, from sample ${row.start_sample}`],
  ];
  if (median && row.exposure_level_db !== null) {
    const off = row.exposure_level_db - median.level;
    const text = `${number(Math.abs(off))} dB ${off < 0 ? "below" : "above"} the median of ${median.n} here`;
    facts.splice(4, 0, ["", text]);
  }
  if (pending.length) facts.unshift(["Decided since", pending.map((line) => `${words(line.action)} (line ${line.line})`).join(", ")]);
  by("facts").replaceChildren(...facts.flatMap(([name, text]) => [element("dt", name), element("dd", text)]));
}

export function showFlags(row, campaign) {
  by("flags").replaceChildren(...listed(row.flags, (name) => {
    const { meaning = "", out_of: out = [] } = campaign.flags[name] ?? {};
    const item = element("li", "", out.length ? "out" : "fact");
    item.append(element("b", words(name)), row.doubts.includes(name) ? ", as above" : meaning ? `: ${meaning}` : "");
    if (out.length) item.append(element("span", ` (out of ${out.join(", ")})`, "quiet"));
    return item;
  }, row.kind === "rejected" ? "no reason is stated" : "no flag"));
}

export function showDoubts(row, campaign) {
  by("doubts").replaceChildren(...listed(row.doubts, (name) => {
    const item = element("li", "", "doubt"), meaning = campaign.doubts[name]?.meaning ?? "";
    item.append(element("b", words(name)), meaning ? `: ${meaning}` : "");
    return item;
  }, "nothing about it is doubtful"));
}

function listed(names, made, none) {
  return names.length ? names.map(made) : [element("li", none, "fact quiet")];
}

export function showOthers(others, goTo) {
  if (!others.length) {
    by("others").replaceChildren(element("p", "no other station has a row of it", "quiet"));
    return;
  }
  const table = element("table"), head = element("tr");
  for (const name of ["Station", "Range", "Exposure level", "Signal/noise"]) head.append(element("th", name));
  table.append(head);
  for (const other of others) {
    const row = element("tr"), first = element("td"), go = element("button", other.station_id, "link");
    go.type = "button";
    go.addEventListener("click", () => goTo(other.station_id, other.place));
    first.append(go);
    const level = other.exposure_level_db === null ? "–" : `${LIMITS[other.exposure_censoring] ?? ""}${number(other.exposure_level_db)} dB`;
    row.append(first, element("td", other.range_m === null ? "–" : `${number(other.range_m, 0)} m`), element("td", level), element("td", other.signal_to_noise_db === null ? "–" : `${number(other.signal_to_noise_db)} dB`));
    table.append(row);
  }
  by("others").replaceChildren(table);
}
