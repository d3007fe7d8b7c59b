// The recording over hours: lanes of level (or pressure), single-strike levels, hammer energy, and what was found.

import * as api from "./api.js";
import { S, day, length, moment, timeTicks } from "./format.js";
import { FONT, INK, LEFT, RIGHT, Signs, View, fitted, hatched, label, moved, panel, sheet, sign, within } from "./figure.js";

const PRESSURE_UP_TO = 12 * S, LONGEST_PRESSURE = 15 * S, LEAST = 20_000;
const TOP = 22, GAP = 28, FOUND = 28, BOTTOM = 36;

export class Overview {
  constructor(desk, canvas, strip) {
    this.desk = desk;
    this.canvas = canvas;
    this.strip = strip;
    this.view = new View(() => this.changed(), LEAST);
    this.drawn = { levels: null, pressure: null, strip: null };
    moved(canvas, this.view, () => this.axis(), (x, y) => this.clicked(x, y));
    this.dragStrip();
  }

  axis() { return { left: LEFT, width: Math.max(10, this.canvas.clientWidth - LEFT - RIGHT) }; }
  x(us) { return LEFT + ((us - this.view.from) / this.view.span) * this.axis().width; }
  time(x) { return this.view.from + ((x - LEFT) / this.axis().width) * this.view.span; }

  show(station, from, to) {
    const first = station.spans_us[0]?.[0] ?? from, last = station.spans_us.at(-1)?.[1] ?? to;
    this.station = station;
    this.drawn = { levels: null, pressure: null, strip: null };
    this.view.set(from, to, first - 1 * S, last + 1 * S);
    const n = Math.max(50, Math.min(2000, this.axis().width));
    this.desk.trying(async () => {
      const strip = await api.arrays("levels", { station: station.id, from: this.view.first, to: this.view.last, n });
      if (this.station === station) { this.drawn.strip = strip; this.draw(); }
    });
  }

  changed() {
    if (!this.station) return;
    this.draw();
    clearTimeout(this.later);
    this.later = setTimeout(() => this.fetch(), this.drawn.levels ? 40 : 0);
  }

  // More than is shown is asked for, so that a little further on is there already.
  async fetch() {
    const station = this.station, { from, to, span } = this.view, n = Math.round(Math.min(1300, this.axis().width));
    const near = span <= PRESSURE_UP_TO, around = near ? Math.min(span, (LONGEST_PRESSURE - span) / 2) * 0.99 : span;
    const ends = { from: Math.floor(from - around), to: Math.ceil(to + around) };
    const columns = Math.min(3900, Math.ceil((n * (ends.to - ends.from)) / span));
    const have = near ? this.drawn.pressure : this.drawn.levels;
    const fine = have && have.from_us <= from && have.to_us >= to;
    if (fine && (have.to_us - have.from_us) / have.lowest.length <= (1.2 * span) / n) return;
    try {
      const got = await api.arrays(near ? "pressure" : "levels", { station: station.id, ...ends, n: columns });
      if (this.station !== station) return;
      this.drawn[near ? "pressure" : "levels"] = got;
      this.draw();
    } catch (fault) { this.desk.say(fault.message, true); }
  }

  // ------------------------------------------------------------------ drawing

  draw() {
    this.stale = true;
    this.drawOver();
  }

  // Cursor and chosen strike alone: the rest is kept as a picture.
  drawOver() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => { this.waiting = 0; this.drawNow(); });
  }

  boxes(height) {
    const free = height - TOP - 3 * GAP - FOUND - BOTTOM, { left, width } = this.axis();
    const heights = [free * 0.4, free * 0.34, free * 0.26, FOUND];
    let top = TOP;
    return heights.map((one) => { const box = { left, width, top, height: one }; top += one + GAP; return box; });
  }

  drawNow() {
    const { pen, width, height } = sheet(this.canvas), boxes = this.boxes(height), { canvas } = this;
    if (!this.station) return;
    if (this.stale || this.still?.width !== canvas.width || this.still?.height !== canvas.height) {
      this.still = new OffscreenCanvas(canvas.width, canvas.height);
      const under = this.still.getContext("2d");
      under.scale(canvas.width / width, canvas.height / height);
      under.font = FONT;
      this.drawUnder(under, boxes);
      this.drawStrip();
      this.stale = false;
    }
    pen.drawImage(this.still, 0, 0, width, height);
    this.drawCursor(pen, boxes);
  }

  drawUnder(pen, boxes) {
    this.drawGaps(pen, boxes);
    this.drawSound(pen, boxes[0]);
    const points = this.points();
    this.levelY = this.lane(pen, boxes[1], "Exposure level of each strike, dB re 1 µPa² s", points, "exposure_level_db", 1);
    const energies = this.lane(pen, boxes[2], "Hammer energy, kJ", points, "energy_kj", 0, true);
    panel(pen, boxes[3], "Found here", 0, 1, { ticks: [] });
    this.drawTicks(pen, boxes[3], points);
    this.drawPoints(pen, boxes[1], points, "exposure_level_db", this.levelY);
    this.drawPoints(pen, boxes[2], points, "energy_kj", energies);
    this.drawStretches(pen, boxes);
    this.drawTime(pen, boxes[3]);
    this.describe(points);
  }

  drawGaps(pen, boxes) {
    const spans = [[-Infinity, this.view.from], ...this.station.spans_us, [this.view.to, Infinity]];
    for (let k = 0; k + 1 < spans.length; k++) {
      const left = Math.max(this.x(spans[k][1]), LEFT), right = Math.min(this.x(spans[k + 1][0]), LEFT + this.axis().width);
      if (right - left < 1) continue;
      for (const box of boxes) { pen.fillStyle = INK.shade; pen.fillRect(left, box.top, right - left, box.height); }
      pen.fillStyle = INK.quiet;
      pen.textAlign = "center";
      pen.textBaseline = "middle";
      if (right - left > 90) pen.fillText("not recorded", (left + right) / 2, boxes[0].top + boxes[0].height / 2);
    }
  }

  drawSound(pen, box) {
    const near = this.view.span <= PRESSURE_UP_TO, data = near ? this.drawn.pressure : this.drawn.levels;
    const title = near ? "Sound pressure, Pa" : "Level of single milliseconds, dB re 1 µPa: least, mean, largest";
    const [low, high] = data ? reach(data, this.view, near) : near ? [-1, 1] : [80, 160];
    const y = panel(pen, box, title, low, high);
    if (!data) return;
    if (!near && !data.lowest.some((value) => value === value)) this.tellNotKept(pen, box);
    within(pen, box, () => {
      const n = data.lowest.length, wide = ((data.to_us - data.from_us) / n / this.view.span) * box.width;
      pen.fillStyle = near ? INK.wave : INK.band;
      for (let k = 0; k < n; k++) {
        const x = this.x(data.from_us + ((data.to_us - data.from_us) * k) / n);
        if (x < box.left - wide || x > box.left + box.width || Number.isNaN(data.lowest[k])) continue;
        const top = y(data.highest[k]);
        pen.fillRect(x, top, Math.max(wide + 0.3, 1), Math.max(y(data.lowest[k]) - top, 1));
      }
      if (near) return;
      pen.fillStyle = INK.wave;
      for (let k = 0; k < n; k++) {
        const x = this.x(data.from_us + ((data.to_us - data.from_us) * k) / n);
        if (x > box.left - wide && x < box.left + box.width && !Number.isNaN(data.mean[k])) pen.fillRect(x, y(data.mean[k]) - 0.75, Math.max(wide + 0.3, 1), 1.5);
      }
    });
  }

  // RESULTS/parts, of which the envelope is made, were deleted, or are of another version of the program.
  tellNotKept(pen, box) {
    if (!this.station.spans_us.some(([from, to]) => from < this.view.to && to > this.view.from)) return;
    label(pen, fitted(pen, "levels are not kept here: the next run makes them", box.width - 20), box.left + 10, box.top + box.height / 2);
  }

  points() {
    const { strikes } = this.desk, found = [];
    if (!strikes || strikes.station_id !== this.station.id) return found;
    const margin = this.view.span * 0.01, first = lowerBound(strikes.time_us, this.view.from - margin);
    for (let k = first; k < strikes.time_us.length && strikes.time_us[k] <= this.view.to + margin; k++) found.push(k);
    return found;
  }

  lane(pen, box, title, points, column, pad, fromZero = false) {
    const values = this.desk.strikes?.[column];
    let low = Infinity, high = -Infinity;
    for (const k of points) if (values[k] === values[k]) { low = Math.min(low, values[k]); high = Math.max(high, values[k]); }
    if (!(high >= low)) { panel(pen, box, title, 0, 1, { ticks: [] }); this.empty(pen, box, column); return null; }
    low = fromZero ? 0 : Math.floor(low - pad);
    high = fromZero ? Math.max(high * 1.1, 1) : Math.ceil(high + pad);
    return panel(pen, box, title, low, high);
  }

  empty(pen, box, column) {
    pen.fillStyle = INK.quiet;
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    pen.fillText(column === "energy_kj" ? "no energy known of these strikes" : "no strike here", box.left + box.width / 2, box.top + box.height / 2);
  }

  drawPoints(pen, box, points, column, y) {
    if (!y) return;
    const { strikes, kept, decided } = this.desk, small = points.length > 2500 ? 2 : points.length > 400 ? 3 : 4;
    const levels = column === "exposure_level_db", found = new Signs(), about = new Signs();
    for (const k of points) {
      const value = strikes[column][k];
      if (value !== value) continue;
      const x = this.x(strikes.time_us[k]), at = y(value);
      found.put(levels ? this.desk.signOf(k) : "strike", !kept[k], x, at);
      if (levels && decided.has(strikes.place[k])) about.put("waiting", !kept[k], x, at);
      else if (levels && strikes.doubt[k] > 0) about.put("doubt", !kept[k], x, at);
    }
    within(pen, box, () => {
      found.draw(pen, levels ? small : Math.min(small, 3));
      about.draw(pen, small);
    });
  }

  drawTicks(pen, box, points) {
    const { strikes, kept, decided } = this.desk, middle = box.top + box.height - 10, found = new Signs(), bars = new Map();
    for (const k of points) {
      const x = this.x(strikes.time_us[k]), name = this.desk.signOf(k), whole = name === "strike" || name === "at_least";
      if (name === "rejected") found.put(name, !kept[k], x, middle);
      else bars.set(Math.round(x * 2), [whole || bars.get(Math.round(x * 2))?.[0], kept[k] || bars.get(Math.round(x * 2))?.[1]]);
      if (strikes.doubt[k] > 0 && !decided.has(strikes.place[k])) found.put("doubt", !kept[k], x, box.top + 7);
    }
    within(pen, box, () => {
      pen.strokeStyle = INK.strike;
      for (const [twice, [whole, strong]] of bars) {
        pen.globalAlpha = strong ? 1 : 0.15;
        pen.setLineDash(whole ? [] : [3, 2]);
        pen.beginPath();
        pen.moveTo(twice / 2, box.top + 12);
        pen.lineTo(twice / 2, box.top + box.height - 3);
        pen.stroke();
      }
      pen.setLineDash([]);
      pen.globalAlpha = 1;
      found.draw(pen, 2.6);
    });
  }

  drawStretches(pen, boxes) {
    const top = boxes[0].top, height = boxes[3].top + boxes[3].height - top;
    for (const { from, to, waiting } of this.desk.stretches(this.station.id)) {
      const left = Math.max(this.x(from), LEFT), right = Math.min(this.x(to), LEFT + this.axis().width);
      if (right <= left) continue;
      hatched(pen, left, top, right - left, height, INK.no);
      const text = waiting ? "unusable, waits" : "unusable";
      if (right - left > 60) label(pen, fitted(pen, text, right - left - 8), left + 5, top + 10, INK.no);
    }
  }

  drawCursor(pen, boxes) {
    const top = boxes[0].top, bottom = boxes[3].top + boxes[3].height, { left, width } = this.axis(), { strikes, index } = this.desk;
    const line = (us, colour, dash) => {
      const x = this.x(us);
      if (x < left || x > left + width) return;
      pen.strokeStyle = colour;
      pen.setLineDash(dash);
      pen.beginPath();
      pen.moveTo(x, top);
      pen.lineTo(x, bottom);
      pen.stroke();
      pen.setLineDash([]);
    };
    if (index !== null && strikes) {
      line(strikes.time_us[index], INK.cursor, []);
      const level = strikes.exposure_level_db[index];
      if (this.levelY && level === level) within(pen, boxes[1], () => sign(pen, "chosen", this.x(strikes.time_us[index]), this.levelY(level), 4));
    }
    if (this.desk.cursor !== null) line(this.desk.cursor, INK.cursor, [6, 3]);
  }

  drawTime(pen, box) {
    const bottom = box.top + box.height, { left, width } = this.axis();
    pen.textBaseline = "top";
    pen.textAlign = "center";
    const wide = this.view.span < 8 * S ? 92 : 66;
    for (const [at, text] of timeTicks(this.view.from, this.view.to, Math.max(2, Math.floor(width / wide)))) {
      const x = this.x(at), half = pen.measureText(text).width / 2;
      pen.strokeStyle = INK.line;
      pen.beginPath();
      pen.moveTo(x, bottom);
      pen.lineTo(x, bottom + 4);
      pen.stroke();
      pen.fillStyle = INK.quiet;
      if (x + half < left + width + RIGHT) pen.fillText(text, x, bottom + 5);
    }
    pen.textAlign = "left";
    pen.fillStyle = INK.ink;
    const days = day(this.view.from) === day(this.view.to) ? day(this.view.from) : `${day(this.view.from)} to ${day(this.view.to)}`;
    pen.fillText(fitted(pen, `Time, UTC; ${days}; ${length(this.view.span)} shown`, width), left, bottom + 20);
  }

  describe(points) {
    const doubtful = points.filter((k) => this.desk.strikes.doubt[k] > 0).length;
    this.canvas.setAttribute("aria-label", `${this.station.id}, ${moment(this.view.from, 0)} to ${moment(this.view.to, 0)} UTC: ` +
      `${points.length} strikes and rejected pulses, ${doubtful} of them doubtful`);
    this.canvas.dataset.shown = String(points.length);
  }

  // ------------------------------------------------------------------ the strip of the whole recording

  drawStrip() {
    const { pen, width, height } = sheet(this.strip), data = this.drawn.strip, all = this.view.last - this.view.first;
    const wide = Math.max(10, width - LEFT - RIGHT);
    pen.fillStyle = INK.shade;
    pen.fillRect(LEFT, 0, wide, height);
    if (data) {
      let low = Infinity, high = -Infinity;
      for (const value of data.highest) if (value === value) { low = Math.min(low, value); high = Math.max(high, value); }
      pen.fillStyle = INK.band;
      for (let k = 0; k < data.highest.length; k++) {
        if (data.highest[k] !== data.highest[k]) continue;
        const tall = 4 + ((data.highest[k] - low) / Math.max(high - low, 1)) * (height - 6);
        pen.fillRect(LEFT + (k / data.highest.length) * wide, height - tall, wide / data.highest.length + 0.5, tall);
      }
    }
    const left = LEFT + ((this.view.from - this.view.first) / all) * wide, shown = Math.max(3, (this.view.span / all) * wide);
    pen.strokeStyle = INK.cursor;
    pen.lineWidth = 2;
    pen.strokeRect(left, 1, Math.min(shown, LEFT + wide - left), height - 2);
    pen.fillStyle = INK.quiet;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    pen.fillText("whole", LEFT - 6, height / 2);
  }

  dragStrip() {
    const to = (event) => {
      const box = this.strip.getBoundingClientRect(), share = (event.clientX - box.left - LEFT) / Math.max(10, box.width - LEFT - RIGHT);
      this.view.centre(this.view.first + share * (this.view.last - this.view.first));
    };
    this.strip.addEventListener("pointerdown", (event) => { this.strip.setPointerCapture(event.pointerId); to(event); });
    this.strip.addEventListener("pointermove", (event) => { if (event.buttons & 1) to(event); });
  }

  clicked(x, y) {
    const at = this.time(x), { strikes } = this.desk;
    this.desk.setCursor(Math.round(at));
    if (!strikes) return;
    let best = null, near = 9;
    for (const k of this.points()) {
      const apart = Math.abs(this.x(strikes.time_us[k]) - x);
      if (apart < near && this.desk.kept[k]) { near = apart; best = k; }
    }
    if (best !== null) this.desk.choose(best, { keepView: true });
  }
}

function reach(data, view, near) {
  let low = Infinity, high = -Infinity;
  const n = data.lowest.length, per = (data.to_us - data.from_us) / n;
  const first = Math.max(0, Math.floor((view.from - data.from_us) / per)), last = Math.min(n, Math.ceil((view.to - data.from_us) / per));
  for (let k = first; k < last; k++) {
    if (data.lowest[k] === data.lowest[k] && (near || data.lowest[k] > 0)) low = Math.min(low, data.lowest[k]);
    if (data.highest[k] === data.highest[k]) high = Math.max(high, data.highest[k]);
  }
  if (!(high > low)) return near ? [-1, 1] : [80, 160];
  if (near) { const most = 1.05 * Math.max(high, -low); return [-most, most]; }
  return [Math.floor(low / 5) * 5, Math.ceil(high / 5) * 5];
}

export function lowerBound(sorted, value) {
  let low = 0, high = sorted.length;
  while (low < high) { const middle = (low + high) >> 1; if (sorted[middle] < value) low = middle + 1; else high = middle; }
  return low;
}

