// What is on the desk: station, strikes, the strike that is looked at, cursor, filters. Figures and lists show it.

import * as api from "./api.js";
import { S, length, moment, words } from "./format.js";
import { INK, sign } from "./figure.js";
import { lowerBound } from "./overview.js";
import { showDoubts, showFacts, showFlags, showOthers } from "./side.js";

const by = (id) => document.getElementById(id);
const KEPT_READY = 16, AROUND = 20 * S;

export class Desk {
  constructor() {
    this.index = null;
    this.strike = null;
    this.cursor = null;
    this.active = "overview";
    this.decided = new Map();
    this.kept = new Uint8Array(0);
    this.stations = new Map();
    this.ready = new Map();
    this.looked = [];
  }

  say(text, bad = false) {
    by("status").textContent = text;
    by("status").classList.toggle("bad", bad);
  }

  async trying(work) {
    try { return await work(); } catch (fault) {
      if (fault.content?.read_again) location.reload();
      else this.say(fault.message, true);
      if (!(fault instanceof api.Refused)) throw fault;
      return undefined;
    }
  }

  // ------------------------------------------------------------------ stations and strikes

  async start() {
    this.campaign = await api.json("campaign");
    this.decisions.take(this.campaign);
    by("campaign-name").textContent = this.campaign.name;
    document.title = `Strikes: ${this.campaign.name}`;
    by("reopen").hidden = !this.campaign.can_reopen;
    for (const { id, n, n_doubtful: doubtful } of this.campaign.stations) by("station").append(new Option(`${id}: ${n} rows, ${doubtful} doubtful`, id));
    const doubts = Object.keys(this.campaign.doubts), flags = Object.keys(this.campaign.flags).filter((name) => !doubts.includes(name));
    for (const name of [...doubts, ...flags]) by("filter-flag").append(new Option(words(name), name));
    for (const pile of this.campaign.piles) by("filter-pile").append(new Option(pile, pile));
    const kept = JSON.parse(sessionStorage.getItem("where") ?? "{}");
    const station = this.campaign.stations.find(({ id }) => id === kept.station);
    if (station) {
      await this.show(station.id, kept.from, kept.to);
      if (kept.time) this.choose(this.indexAt(kept.time), { keepView: true });
      return;
    }
    const { first } = this.campaign;
    if (first.place !== null) this.viewOf(first.place);
    if (first.place !== null) await this.goTo(first.station_id, first.place, true);
    else await this.show(this.campaign.stations.find(({ n }) => n > 0)?.id ?? this.campaign.stations[0].id);
    this.tellLeft(first);
  }

  async rowsOf(id) {
    if (!this.stations.has(id)) this.stations.set(id, await api.arrays("strikes", { station: id }));
    return this.stations.get(id);
  }

  async show(id, from = null, to = null) {
    this.station = this.campaign.stations.find((station) => station.id === id);
    by("station").value = id;
    this.noStrike();
    const spans = joined(this.station.spans_us), select = by("stretch");
    select.replaceChildren(new Option("stretch …", ""), ...spans.map(([a, b], k) => new Option(`${moment(a, 0)}, ${length(b - a)}`, String(k))));
    this.spans = spans;
    this.overview.show(this.station, from ?? spans[0]?.[0] ?? 0, to ?? spans[0]?.[1] ?? S);
    this.strikes = await this.rowsOf(id);
    this.classes = this.strikes.flag_sets.map((flags) => this.classOf(flags));
    this.filter();
  }

  // The same time at another station, and the same strike there, if it has a row.
  async changeStation(id) {
    const { from, to } = this.overview.view, chosen = this.chosen(), name = chosen && this.strikes.strike_id[this.index];
    await this.show(id, from, to);
    const k = name ? this.strikes.strike_id.indexOf(name) : -1;
    if (k >= 0) await this.choose(k, { keepView: true });
    this.keepPlace();
  }

  noStrike() {
    this.index = this.strike = null;
    delete document.body.dataset.place;
    this.strikeFigure.show(null);
    by("strike-title").textContent = "Strike";
    for (const id of ["facts", "doubts", "flags", "others"]) by(id).replaceChildren();
  }

  classOf(flags) {
    const known = flags.map((name) => this.campaign.flags[name] ?? {});
    return known.some((one) => one.no_strike) ? "rejected" : known.some((one) => one.out_of?.includes("summary")) ? "out" : "";
  }

  signOf(k) {
    const { rejected, censoring, flags } = this.strikes, kind = this.classes[flags[k]];
    if (rejected[k] || kind === "rejected") return "rejected";
    return censoring[k] === 2 ? "at_most" : censoring[k] === 1 ? "at_least" : kind === "out" ? "out" : "strike";
  }

  chosen() {
    if (this.index === null) return null;
    const { time_us: times, place, strike_id: ids } = this.strikes;
    return { time_us: times[this.index], place: place[this.index], name: ids[this.index] ?? "Pulse that a rule took out" };
  }

  indexAt(us) {
    const k = lowerBound(this.strikes.time_us, us);
    return k < this.strikes.time_us.length ? k : null;
  }

  // ------------------------------------------------------------------ going from strike to strike

  async goTo(stationId, place, wide = false) {
    if (this.station?.id !== stationId) {
      if (this.index !== null) this.looked.push([this.station.id, this.strikes.place[this.index]]);
      const rows = await this.rowsOf(stationId), at = rows.time_us[rows.place.indexOf(place)], found = this.campaign.stations.find(({ id }) => id === stationId);
      const span = joined(found.spans_us).find(([a, b]) => a <= at && at <= b);
      const [from, to] = wide && span ? span : [at - AROUND, at + AROUND];
      await this.show(stationId, from, to);
    }
    const k = this.strikes.place.indexOf(place);
    if (k >= 0) await this.choose(k);
  }

  goToTime(stationId, us, place) {
    return this.trying(async () => {
      if (place !== null) { await this.goTo(stationId, place); return; }
      if (this.station.id !== stationId) await this.show(stationId, us - AROUND, us + AROUND);
      else this.overview.view.centre(us);
      this.setCursor(us);
    });
  }

  async choose(k, { keepView = false, remember = true } = {}) {
    if (k === null || k === undefined) return;
    if (remember && this.index !== null && this.index !== k) this.looked.push([this.station.id, this.strikes.place[this.index]]);
    this.index = k;
    this.stop();
    const { view } = this.overview, at = this.strikes.time_us[k], place = this.strikes.place[k];
    if (!keepView && (at < view.from || at > view.to)) view.centre(at);
    this.overview.drawOver();
    this.keepPlace();
    await this.trying(async () => {
      let strike = null;
      try { strike = await this.viewOf(place); } catch (fault) {
        if (!fault.content?.no_sound) throw fault;
        if (this.isChosen(place)) { this.strikeFigure.show(null, fault.message); this.say(fault.message, true); }
      }
      if (!this.isChosen(place)) return;
      if (strike) this.showStrike(strike);
      this.getReady(place);
    });
  }

  isChosen(place) { return this.index !== null && this.strikes.place[this.index] === place; }

  showStrike(strike) {
    this.strike = strike;
    this.strikeFigure.show(strike);
    const { row } = strike;
    by("strike-title").textContent = `${row.strike_id ?? "Pulse that a rule took out"} at ${row.station_id}`;
    document.body.dataset.place = String(strike.place);
    showFacts(row, this.median(), this.decided.get(strike.place) ?? []);
    showDoubts(row, this.campaign);
    showFlags(row, this.campaign);
    showOthers(strike.others, (station, place) => this.trying(() => this.goTo(station, place)));
  }

  // The median level of what is clear of this pile at this station.
  median() {
    const { pile, exposure_level_db: level, censoring, rejected } = this.strikes, own = pile[this.index], found = [];
    for (let k = 0; k < pile.length; k++) if (pile[k] === own && !rejected[k] && !censoring[k] && level[k] === level[k] && this.signOf(k) === "strike") found.push(level[k]);
    if (found.length < 3) return null;
    found.sort((a, b) => a - b);
    const half = found.length >> 1;
    return { level: found.length % 2 ? found[half] : (found[half - 1] + found[half]) / 2, n: found.length };
  }

  viewOf(place) {
    if (!this.ready.has(place)) {
      const asked = api.arrays("view", { place, opened: this.campaign.opened });
      asked.catch(() => this.ready.delete(place));
      this.ready.set(place, asked);
      if (this.ready.size > KEPT_READY) this.ready.delete(this.ready.keys().next().value);
    }
    return this.ready.get(place);
  }

  // The strikes that are likely to be asked for next are fetched while this one is looked at.
  async getReady(place) {
    try {
      const next = await this.askNext(place);
      if (!this.isChosen(place)) return;
      this.tellLeft(next);
      if (next.place !== null) { await this.rowsOf(next.station_id); await this.viewOf(next.place); }
      const k = this.neighbour(1);
      if (this.isChosen(place) && k !== null) await this.viewOf(this.strikes.place[k]);
    } catch (fault) { if (!(fault instanceof api.Refused)) throw fault; }
  }

  // What comes next is asked for once for each place, filters and state of the decisions.
  askNext(place) {
    const asked = { opened: this.campaign.opened, place, ...this.filtersAsked() }, name = JSON.stringify([asked, this.decisions.version]);
    if (this.following?.name !== name) {
      this.following = { name, answer: api.json("next", asked) };
      this.following.answer.catch(() => { this.following = null; });
    }
    return this.following.answer;
  }

  nextDoubtful() {
    return this.trying(async () => {
      const place = this.index === null ? -1 : this.strikes.place[this.index], next = await this.askNext(place);
      this.tellLeft(next);
      if (next.place === null) this.say(next.n ? "no other doubtful strike is left" : "no strike is doubtful here");
      else { await this.goTo(next.station_id, next.place); this.say(""); }
    });
  }

  tellLeft({ n, n_left: left }) {
    by("left-text").textContent = n ? `${left} of ${n} doubtful ones are not decided` : "none is doubtful";
  }

  back() {
    const last = this.looked.pop();
    if (!last) return this.say("this was the first one");
    return this.trying(async () => {
      const kept = this.looked.slice();
      await this.goTo(...last);
      this.looked = kept;
    });
  }

  neighbour(step) {
    if (!this.strikes?.time_us.length) return null;
    let k = this.index === null ? (step > 0 ? -1 : this.strikes.time_us.length) : this.index;
    do k += step; while (k >= 0 && k < this.kept.length && !this.kept[k]);
    return k >= 0 && k < this.kept.length ? k : null;
  }

  step(by) {
    const k = this.neighbour(by);
    if (k === null) this.say(by > 0 ? "no strike after this one" : "no strike before this one");
    else return this.choose(k);
    return undefined;
  }

  toStrike() {
    if (this.index === null) return;
    const at = this.strike?.place === this.strikes.place[this.index] ? this.strike.interval_us + 0.3 * S : this.strikes.time_us[this.index];
    this.overview.view.centre(at, 2 * S);
  }

  // ------------------------------------------------------------------ cursor, figures

  activeView() { return this.active === "strike" && this.strike ? this.strikeFigure.view : this.overview.view; }

  anchor() {
    const view = this.activeView(), inStrike = view === this.strikeFigure.view;
    const toAxis = (us) => (inStrike ? (us - this.strike.interval_us) / S : us);
    for (const us of [this.cursor, this.chosen()?.time_us ?? null]) if (us !== null && toAxis(us) >= view.from && toAxis(us) <= view.to) return toAxis(us);
    return undefined;
  }

  setCursor(us) {
    this.cursor = us;
    by("cursor-text").textContent = `cursor ${moment(us, us % 1000 ? 6 : 3)} UTC`;
    this.overview.drawOver();
    this.strikeFigure.draw();
  }

  moveCursor(steps) {
    const inStrike = this.activeView() === this.strikeFigure.view, view = this.activeView();
    const pixel = (view.span * (inStrike ? S : 1)) / (inStrike ? this.strikeFigure : this.overview).axis().width;
    const middle = inStrike ? this.strike.interval_us + ((view.from + view.to) / 2) * S : (view.from + view.to) / 2;
    const shown = this.cursor !== null && (inStrike ? Math.abs(this.cursor - middle) <= (view.span * S) / 2 : this.cursor >= view.from && this.cursor <= view.to);
    this.setCursor(Math.round((shown ? this.cursor : this.chosen()?.time_us ?? middle) + steps * Math.max(pixel, 10)));
  }

  // ------------------------------------------------------------------ filters

  filtersAsked() {
    const value = (id) => by(id).value;
    return {
      flags: value("filter-flag"), piles: value("filter-pile"), stations: by("only-here").checked ? this.station.id : "",
      level_from: value("level-from"), level_to: value("level-to"), snr_from: value("snr-from"), snr_to: value("snr-to"),
    };
  }

  filter() {
    const { flags, piles, ...ranges } = this.filtersAsked(), { strikes } = this, n = strikes.time_us.length;
    const within = (values, k, low, high) => (low === "" || values[k] >= Number(low)) && (high === "" || values[k] <= Number(high));
    const named = strikes.flag_sets.map((set) => !flags || set.includes(flags)), doubted = strikes.doubt_sets.map((set) => set.includes(flags));
    const pile = strikes.piles.map((name) => !piles || name === piles);
    this.kept = new Uint8Array(n);
    let left = 0;
    for (let k = 0; k < n; k++) {
      this.kept[k] = (named[strikes.flags[k]] || doubted[strikes.doubts[k]]) && pile[strikes.pile[k]]
        && within(strikes.exposure_level_db, k, ranges.level_from, ranges.level_to) && within(strikes.signal_to_noise_db, k, ranges.snr_from, ranges.snr_to) ? 1 : 0;
      left += this.kept[k];
    }
    by("filter-text").textContent = left === n ? `all ${n} rows of ${this.station.id}` : `${left} of ${n} rows of ${this.station.id}; the others are faint`;
    this.overview.draw();
  }

  openFilters() {
    by("filters").open = true;
    by("filter-flag").focus();
  }

  // ------------------------------------------------------------------ listening

  listen() {
    const sound = by("sound"), chosen = this.chosen();
    if (!sound.paused) return this.stop();
    if (!chosen) return this.say("choose a strike first", true);
    const speed = Number(by("speed").value);
    sound.src = api.soundAddress({ place: chosen.place, opened: this.campaign.opened, speed, gain: Number(by("gain").value) || 0 });
    sound.onerror = () => this.say("the sound cannot be played", true);
    sound.onended = () => this.stop();
    const follow = () => {
      if (sound.paused || !this.strike) return;
      this.strikeFigure.playhead = this.strike.start_s + sound.currentTime * speed;
      this.strikeFigure.draw();
      requestAnimationFrame(follow);
    };
    return sound.play().then(() => { by("play").firstChild.textContent = "Stop "; follow(); }, (fault) => { if (fault.name !== "AbortError") this.say("the sound cannot be played", true); });
  }

  stop() {
    by("sound").pause();
    by("play").firstChild.textContent = "Listen ";
    this.strikeFigure.playhead = null;
    this.strikeFigure.draw();
  }

  gain(step) {
    by("gain").value = String(Math.min(60, Math.max(-60, (Number(by("gain").value) || 0) + step)));
    this.say(`listening gain ${by("gain").value} dB`);
  }

  // ------------------------------------------------------------------ decisions

  stretches(stationId) { return this.decisions.stretches(stationId); }

  decisionsChanged() {
    this.decided = new Map();
    for (const line of this.decisions.waiting()) if (line.place !== null && line.action !== "note") this.decided.set(line.place, [...(this.decided.get(line.place) ?? []), line]);
    this.overview.draw();
    const chosen = this.chosen();
    if (chosen && this.strike?.place === chosen.place) showFacts(this.strike.row, this.median(), this.decided.get(chosen.place) ?? []);
    if (chosen) this.getReady(chosen.place);
  }

  async reopen() {
    this.say("reading the results again …");
    await this.trying(async () => { await api.post("reopen", {}); this.keepPlace(); location.reload(); });
  }

  keepPlace() {
    if (!this.station) return;
    const { from, to } = this.overview.view;
    sessionStorage.setItem("where", JSON.stringify({ station: this.station.id, from, to, time: this.chosen()?.time_us ?? null }));
  }

  legend() {
    const names = { strike: "strike", at_most: "at most (near the background)", at_least: "at least (clipped)", out: "left out of statistics", rejected: "no strike (by rule or by a person)", doubt: "doubtful", waiting: "decided, waits for a run" };
    for (const [name, text] of Object.entries(names)) {
      const item = document.createElement("li"), canvas = document.createElement("canvas"), scale = window.devicePixelRatio || 1;
      canvas.width = 18 * scale;
      canvas.height = 16 * scale;
      const pen = canvas.getContext("2d");
      pen.scale(scale, scale);
      pen.fillStyle = INK.ink;
      sign(pen, name, 9, 8, 4);
      item.append(canvas, text);
      by("legend").append(item);
    }
  }
}

// Spans that abut (within 2 s) as one.
function joined(spans) {
  const found = [];
  for (const [from, to] of spans) {
    if (found.length && from - found.at(-1)[1] < 2 * S) found.at(-1)[1] = Math.max(to, found.at(-1)[1]);
    else found.push([from, to]);
  }
  return found;
}

