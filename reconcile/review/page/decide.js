// Decisions: asked for with reason and name, written, listed, undone; where somebody else has decided since, shown first.

import * as api from "./api.js";
import { clock, microseconds, moment, rfc3339, words } from "./format.js";
import { element } from "./side.js";

const by = (id) => document.getElementById(id);

// What each action means, and what it is about: the chosen strike, the cursor's time, or both.
export const ACTIONS = {
  accept: { key: "a", title: "Accept: it is a strike", about: "strike", meaning: "A pulse that a rule took out becomes a strike; a strike is no longer doubtful." },
  reject: { key: "r", title: "Reject: it is no strike", about: "strike", meaning: "It keeps its row, and counts in no statistic, fit or exposure." },
  exclude_from_statistics: { key: "x", title: "Keep out of statistics", about: "strike", meaning: "A strike, but not for statistics and fits. Cumulative exposures keep it." },
  move: { key: "m", title: "Move the strike", about: "both", meaning: "It is measured again with its onset at the time given." },
  add: { key: "i", title: "Add a strike that was missed", about: "cursor", meaning: "It is measured with its onset at the time given." },
  unusable_from: { key: "f", title: "Recording unusable from here", about: "cursor", meaning: "Until the next “unusable to”, or the end: treated as a gap in the recording." },
  unusable_to: { key: "t", title: "Recording unusable up to here", about: "cursor", meaning: "From the “unusable from” before it." },
  note: { key: "c", title: "Note", about: "strike", meaning: "Changes nothing; it is listed in the report." },
  undo: { key: "u", title: "Undo a decision", about: "line", meaning: "The line stays in the file; another line takes it back." },
};

export class Decisions {
  constructor(desk) {
    this.desk = desk;
    this.given = null;
    by("decide-form").addEventListener("submit", (event) => { event.preventDefault(); this.write(); });
    by("leave").addEventListener("click", () => by("decide").close());
    by("reopen").addEventListener("click", () => desk.reopen());
    by("who").value = localStorage.getItem("who") ?? "";
    by("who").addEventListener("change", () => localStorage.setItem("who", by("who").value.trim()));
  }

  take(answer) {
    this.version = answer.version;
    this.lines = answer.decisions;
    this.show();
  }

  standing() { return this.lines.filter((line) => line.undone_by === null && line.action !== "undo"); }
  waiting() { return this.standing().filter((line) => !line.applied); }

  // Opens the form; `line` is the line to undo.
  ask(action, line = null) {
    const { desk } = this, { about, title, meaning } = ACTIONS[action], chosen = desk.chosen();
    if (action === "undo") line ??= this.standing().at(-1);
    if (action === "undo" && !line) return desk.say("there is no decision to undo", true);
    if ((about === "strike" || about === "both") && !chosen) return desk.say("choose a strike first", true);
    if (about !== "strike" && about !== "line" && desk.cursor === null) return desk.say("put the cursor there first: click, or press , and .", true);
    const station = line ? line.station_id : desk.station.id;
    this.given = { action, station_id: station, time_utc: line ? line.time_utc : about === "cursor" ? null : rfc3339(chosen.time_us), about };
    by("decide-heading").textContent = title;
    by("decide-meaning").textContent = meaning;
    by("decide-about").textContent = line ? `Line ${line.line}: ${words(line.action)}, ${station}, ${moment(microseconds(line.time_utc), 6)} UTC. ${line.reason} (${line.who})`
      : about === "cursor" ? `Station ${station}` : `${chosen.name} at ${station}, ${moment(chosen.time_us, 6)} UTC`;
    const timed = about === "cursor" || about === "both";
    by("time-label").hidden = !timed;
    by("decide-time").required = timed;
    by("decide-time").value = timed ? rfc3339(desk.cursor) : "";
    by("time-name").textContent = action === "add" ? "Onset, UTC" : action === "move" ? "New onset, UTC" : "Time, UTC";
    by("reason-name").textContent = action === "note" ? "The note" : "Why";
    by("reason").value = "";
    by("decide-who").value = by("who").value;
    by("reasons").replaceChildren(...[...new Set(this.lines.map((one) => one.reason))].slice(-12).map((reason) => { const option = element("option"); option.value = reason; return option; }));
    by("decide-fault").replaceChildren();
    by("write").firstChild.textContent = "Write the decision ";
    this.seen = this.version;
    by("decide").showModal();
    by("reason").focus();
  }

  async write() {
    if (this.busy) return;
    const { about, ...decision } = this.given, time = by("decide-time").value.trim();
    decision.reason = by("reason").value.trim();
    decision.who = by("decide-who").value.trim();
    if (!decision.reason || !decision.who) return this.fault("both are needed: why, and who decides");
    if ((about === "cursor" || about === "both") && Number.isNaN(microseconds(time))) return this.fault("the time is needed as 2025-05-01T08:00:00.123456Z");
    if (about === "cursor") decision.time_utc = time;
    if (about === "both") decision.new_time_utc = time;
    this.busy = true;
    try {
      this.written(await api.post("decide", { ...decision, seen: this.seen }), decision);
    } catch (fault) {
      if (fault.content?.conflict) await this.conflict();
      else this.fault(fault.message);
    } finally { this.busy = false; }
  }

  written(answer, decision) {
    by("who").value = decision.who;
    localStorage.setItem("who", decision.who);
    this.take(answer);
    by("decide").close();
    this.desk.decisionsChanged();
    const torn = answer.recovered ? " A line that had been cut short was taken off; it is in decisions.torn.txt." : "";
    this.desk.say(`Written as line ${answer.line}: ${words(decision.action)}. The next run applies it.${torn}`);
  }

  fault(text) { by("decide-fault").replaceChildren(text); }

  // Somebody else has decided: their lines are shown, nothing of ours is written until it is asked for again.
  async conflict() {
    const before = new Set(this.lines.map((line) => `${line.line} ${line.decided_utc}`));
    this.take(await api.json("decisions"));
    this.seen = this.version;
    const fresh = this.lines.filter((line) => !before.has(`${line.line} ${line.decided_utc}`)), list = element("ul", "", "lines");
    for (const line of fresh) list.append(element("li", `line ${line.line}: ${words(line.action)}, ${line.station_id}, ${moment(microseconds(line.time_utc))} UTC. ${line.reason} (${line.who})`));
    if (!fresh.length) list.append(element("li", "lines were changed or taken out by hand"));
    by("decide-fault").replaceChildren("Not written: the decisions have changed since this page showed them. New are", list, "Look again; then write it all the same, or leave it.");
    by("write").firstChild.textContent = "Write it all the same ";
    this.desk.decisionsChanged();
  }

  async refresh() {
    const answer = await api.json("decisions");
    if (answer.version === this.version) return;
    this.take(answer);
    this.desk.decisionsChanged();
  }

  show() {
    const waiting = this.lines.filter((line) => !line.applied).length, text = by("waiting");
    if (waiting) text.replaceChildren(`${waiting} ${waiting === 1 ? "line waits" : "lines wait"} for `, element("code", `reconcile run ${this.desk.campaign.folder}`), ", which applies them and reads again only the windows that they touch.");
    else text.replaceChildren(this.lines.length ? "All are in the results." : "None yet. They are kept in decisions.csv; a run applies them.");
    const head = element("tr");
    for (const name of ["Line", "Decision", "Station", "About, UTC", "Why", "Who, when (UTC)", "State", ""]) head.append(element("th", name));
    by("decisions").replaceChildren(...(this.lines.length ? [head] : []), ...this.lines.toReversed().map((line) => this.rowOf(line)));
  }

  rowOf(line) {
    const row = element("tr", "", line.undone_by ? "gone" : ""), about = element("td"), last = element("td"), us = microseconds(line.time_utc);
    const go = element("button", moment(us), "link");
    go.type = "button";
    go.addEventListener("click", () => this.desk.goToTime(line.station_id, us, line.place));
    about.append(go);
    if (line.new_time_utc) about.append(` → ${clock(microseconds(line.new_time_utc))}`);
    const state = line.undone_by ? `undone by line ${line.undone_by}` : line.applied ? "in the results" : "waits for a run";
    row.append(element("td", String(line.line)), element("td", words(line.action), "what"), element("td", line.station_id), about, element("td", line.reason, "wrap"),
      element("td", `${line.who}, ${moment(microseconds(line.decided_utc), 0)}`), element("td", state), last);
    if (!line.undone_by && line.action !== "undo") {
      const undo = element("button", "Undo", "link");
      undo.type = "button";
      undo.setAttribute("aria-label", `Undo line ${line.line}`);
      undo.addEventListener("click", () => this.ask("undo", line));
      last.append(undo);
    }
    return row;
  }

  // Stretches of a station that were marked, [from, to), by standing lines.
  stretches(stationId) {
    const ends = this.standing().filter((line) => line.station_id === stationId && line.action.startsWith("unusable_"))
      .map((line) => [microseconds(line.time_utc), line]).sort((a, b) => a[0] - b[0]), found = [];
    let open = null;
    for (const [us, line] of ends) {
      if (line.action === "unusable_from") open ??= { from: us, waiting: !line.applied };
      else if (open) { found.push({ ...open, to: us, waiting: open.waiting || !line.applied }); open = null; }
    }
    if (open) found.push({ ...open, to: Infinity });
    return found;
  }
}
