// One strike: pressure, spectrogram, energy as it comes; background, pulse interval, 5 % and 95 % points on one time axis.

import { S, logTicks, number, ticks, words } from "./format.js";
import { INK, LEFT, View, label, moved, panel, sheet, within } from "./figure.js";

const RIGHT = 64, TOP = 40, GAP = 28, BOTTOM = 36, LEAST_S = 0.002, RANGE_DB = 60, LOWEST_HZ = 20;
// From dark blue to yellow; lightness rises evenly, so that it reads without colour, too.
const MAP = [[0, 32, 77], [35, 62, 108], [87, 92, 109], [124, 123, 120], [165, 156, 116], [211, 193, 100], [255, 234, 70]];

export class StrikeFigure {
  constructor(desk, canvas) {
    this.desk = desk;
    this.canvas = canvas;
    this.view = new View(() => this.draw(), LEAST_S);
    this.shown = null;
    this.playhead = null;
    moved(canvas, this.view, () => this.axis(), (x) => this.clicked(x));
  }

  axis() { return { left: LEFT, width: Math.max(10, this.canvas.clientWidth - LEFT - RIGHT) }; }
  x(s) { return LEFT + ((s - this.view.from) / this.view.span) * this.axis().width; }

  show(strike, why = "") {
    this.shown = strike;
    this.why = why;
    this.image = null;
    this.playhead = null;
    if (!strike) { this.draw(); return; }
    const end = strike.start_s + strike.pressure_pa.length / strike.rate_hz;
    this.view.set(strike.start_s, end, strike.start_s, end);
    const { row } = strike;
    this.canvas.setAttribute("aria-label", `Strike ${row.strike_id || "rejected by rule"} at ${strike.station_id}: pressure, spectrogram and energy; ` +
      `exposure level ${number(row.exposure_level_db)} dB, peak level ${number(row.peak_level_db)} dB, flags ${row.flags.map(words).join(", ") || "none"}`);
  }

  clicked(x) {
    if (!this.shown) return;
    const s = this.view.from + ((x - LEFT) / this.axis().width) * this.view.span;
    this.desk.setCursor(Math.round(this.shown.interval_us + s * S));
  }

  draw() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => { this.waiting = 0; this.drawNow(); });
  }

  drawNow() {
    const { pen, width, height } = sheet(this.canvas);
    if (!this.shown) {
      pen.fillStyle = INK.quiet;
      pen.textAlign = "center";
      pen.fillText(this.why || "choose a strike in the overview, or press N", width / 2, height / 2);
      return;
    }
    const free = height - TOP - 2 * GAP - BOTTOM, heights = [free * 0.36, free * 0.38, free * 0.26], { left, width: wide } = this.axis();
    let top = TOP;
    const boxes = heights.map((one) => { const box = { left, width: wide, top, height: one }; top += one + GAP; return box; });
    this.drawMarks(pen, boxes);
    this.drawPressure(pen, boxes[0]);
    this.drawSpectrogram(pen, boxes[1]);
    this.drawEnergy(pen, boxes[2]);
    this.drawLines(pen, boxes);
    this.drawTime(pen, boxes[2]);
  }

  // Shades of background and pulse interval behind pressure and energy, with their names above.
  drawMarks(pen, boxes) {
    const { quiet_s: quiet, window_s: interval } = this.shown, { left, width } = this.axis();
    for (const [stretch, colour, name] of [[quiet, INK.background, "background"], [interval, INK.interval, "pulse interval"]]) {
      if (!stretch) continue;
      const from = Math.max(this.x(stretch[0]), left), to = Math.min(this.x(stretch[1]), left + width);
      if (to <= from) continue;
      pen.fillStyle = colour;
      pen.globalAlpha = 0.55;
      for (const box of [boxes[0], boxes[2]]) pen.fillRect(from, box.top, to - from, box.height);
      pen.globalAlpha = 1;
      pen.fillStyle = colour;
      pen.fillRect(from, boxes[0].top - 4, to - from, 4);
      pen.fillStyle = INK.ink;
      pen.textAlign = "center";
      pen.textBaseline = "bottom";
      if (pen.measureText(name).width < to - from) pen.fillText(name, (from + to) / 2, boxes[0].top - 5);
    }
  }

  drawPressure(pen, box) {
    const { pressure_pa: pressure, rate_hz: rate, start_s: start } = this.shown;
    const first = Math.max(0, Math.floor((this.view.from - start) * rate)), last = Math.min(pressure.length, Math.ceil((this.view.to - start) * rate) + 1);
    let most = 0;
    for (let k = first; k < last; k++) most = Math.max(most, Math.abs(pressure[k]));
    most = most * 1.08 || 1;
    const y = panel(pen, { ...box, top: box.top }, "", -most, most);
    this.title(pen, "Sound pressure, Pa", box.top - 20);
    within(pen, box, () => {
      pen.strokeStyle = pen.fillStyle = INK.wave;
      const per = (last - first) / box.width;
      if (per < 2) {
        pen.beginPath();
        for (let k = first; k < last; k++) pen.lineTo(this.x(start + k / rate), y(pressure[k]));
        pen.stroke();
        return;
      }
      const scale = Math.min(2, window.devicePixelRatio || 1), n = Math.round(box.width * scale);
      let before = null;
      for (let column = 0; column < n; column++) {
        const from = first + Math.floor((column * (last - first)) / n), to = first + Math.floor(((column + 1) * (last - first)) / n);
        let low = pressure[from], high = low;
        for (let k = from; k < to; k++) { if (pressure[k] < low) low = pressure[k]; if (pressure[k] > high) high = pressure[k]; }
        if (before) { low = Math.min(low, before[1]); high = Math.max(high, before[0]); }
        before = [low, high];
        const top = y(high);
        pen.fillRect(this.x(start + from / rate), top, 1 / scale + 0.2, Math.max(1, y(low) - top));
      }
    });
  }

  title(pen, text, y) {
    pen.textAlign = "left";
    pen.textBaseline = "bottom";
    pen.fillStyle = INK.ink;
    pen.fillText(text, 6, y);
  }

  drawSpectrogram(pen, box) {
    const { frequency_hz: f } = this.shown, high = f.at(-1), low = Math.max(LOWEST_HZ, f[1] / 2), decades = Math.log(high / low);
    const y = (hz) => box.top + box.height - (Math.log(hz / low) / decades) * box.height;
    const range = this.range();
    this.paint(pen, box, low, decades, range);
    const marks = logTicks(low, high).filter(([hz]) => box.height > 150 || /^[15]/.test(String(hz)));
    panel(pen, box, "Frequency, Hz", low, high, { y, ticks: marks, bare: true });
    const bar = { left: box.left + box.width + 12, width: 10 };
    for (let k = 0; k < box.height; k++) {
      const [r, g, b] = colour(1 - k / box.height);
      pen.fillStyle = `rgb(${r} ${g} ${b})`;
      pen.fillRect(bar.left, box.top + k, bar.width, 1.5);
    }
    pen.textAlign = "left";
    pen.textBaseline = "middle";
    pen.fillStyle = INK.quiet;
    for (const [value, text] of ticks(range[0], range[1], 4)) pen.fillText(text, bar.left + bar.width + 4, box.top + box.height * (1 - (value - range[0]) / RANGE_DB));
    pen.textAlign = "right";
    pen.textBaseline = "bottom";
    pen.fillStyle = INK.ink;
    pen.fillText("spectral density level, dB re 1 µPa²/Hz", box.left + box.width + RIGHT - 4, box.top - 7);
  }

  range() {
    if (this.shown.range_db) return this.shown.range_db;
    let high = -32768;
    for (const value of this.shown.level_cdb) if (value > high) high = value;
    high = Math.ceil(high / 500) * 5;
    this.shown.range_db = [high - RANGE_DB, high];
    return this.shown.range_db;
  }

  paint(pen, box, low, decades, range) {
    const { level_cdb: level, time_s: times, frequency_hz: f, spectrogram: { n_times: n } } = this.shown;
    const wide = Math.max(1, Math.round(box.width)), tall = Math.max(1, Math.round(box.height)), name = [wide, tall, this.view.from, this.view.to].join();
    if (this.image?.name !== name) {
      const pixels = new ImageData(wide, tall), columns = new Int32Array(wide), step = n > 1 ? times[1] - times[0] : 1;
      for (let c = 0; c < wide; c++) columns[c] = Math.min(n - 1, Math.max(0, Math.round((this.view.from + ((c + 0.5) / wide) * this.view.span - times[0]) / step)));
      for (let r = 0; r < tall; r++) {
        const hz = low * Math.exp(decades * (1 - (r + 0.5) / tall)), at = Math.min(f.length - 2, hz / f[1]), bin = Math.floor(at), share = at - bin;
        for (let c = 0; c < wide; c++) {
          const db = (level[bin * n + columns[c]] * (1 - share) + level[(bin + 1) * n + columns[c]] * share) / 100;
          const place = Math.round(255 * Math.min(1, Math.max(0, (db - range[0]) / RANGE_DB))) * 3, to = (r * wide + c) * 4;
          pixels.data[to] = TABLE[place];
          pixels.data[to + 1] = TABLE[place + 1];
          pixels.data[to + 2] = TABLE[place + 2];
          pixels.data[to + 3] = 255;
        }
      }
      const canvas = new OffscreenCanvas(wide, tall);
      canvas.getContext("2d").putImageData(pixels, 0, 0);
      this.image = { name, canvas };
    }
    pen.drawImage(this.image.canvas, box.left, box.top, box.width, box.height);
  }

  drawEnergy(pen, box) {
    const { energy_share: share, rate_hz: rate, energy_5_s: t5, energy_95_s: t95 } = this.shown;
    const y = panel(pen, box, "Energy that has come, background subtracted, %", -5, 105, { ticks: [[0, "0"], [50, "50"], [100, "100"]] });
    if (!share.length) {
      label(pen, "no energy above the background in the pulse interval", box.left + 10, box.top + box.height / 2);
      return;
    }
    within(pen, box, () => {
      pen.strokeStyle = INK.strike;
      pen.lineWidth = 2;
      pen.beginPath();
      const step = Math.max(1, Math.floor((share.length / box.width) * (this.view.span * rate / share.length) / 2));
      pen.moveTo(this.x(0), y(0));
      for (let k = 0; k < share.length; k += step) pen.lineTo(this.x((k + 1) / rate), y(share[k] * 100));
      pen.lineTo(this.x(share.length / rate), y(100));
      pen.stroke();
      pen.lineWidth = 1;
    });
    for (const [s, percent] of [[t5, 5], [t95, 95]]) {
      const x = this.x(s);
      if (s === null || x < box.left || x > box.left + box.width) continue;
      pen.fillStyle = INK.sheet;
      pen.strokeStyle = INK.strike;
      pen.lineWidth = 2;
      pen.beginPath();
      pen.arc(x, y(percent), 4, 0, 7);
      pen.fill();
      pen.stroke();
      pen.lineWidth = 1;
    }
  }

  drawLines(pen, boxes) {
    const { energy_5_s: t5, energy_95_s: t95, interval_us: at } = this.shown, { left, width } = this.axis();
    const line = (s, colourOf, dash) => {
      const x = this.x(s);
      if (s === null || x < left - 0.5 || x > left + width + 0.5) return;
      const draw = (box) => { pen.beginPath(); pen.moveTo(x, box.top); pen.lineTo(x, box.top + box.height); pen.stroke(); };
      pen.strokeStyle = INK.sheet; // a light edge on the dark of the spectrogram
      pen.lineWidth = 3;
      pen.globalAlpha = 0.6;
      draw(boxes[1]);
      pen.globalAlpha = pen.lineWidth = 1;
      pen.strokeStyle = colourOf;
      pen.setLineDash(dash);
      boxes.forEach(draw);
      pen.setLineDash([]);
    };
    const close = t5 !== null && t95 !== null && this.x(t95) - this.x(t5) < 76;
    line(t5, INK.doubt, [2, 3]);
    line(t95, INK.doubt, [2, 3]);
    if (!close && t5 !== null && this.x(t5) > left + 40 && this.x(t5) < left + width) label(pen, "5 %", this.x(t5) - 7, boxes[2].top + boxes[2].height * 0.7, INK.doubt, "right");
    if (t95 !== null && this.x(t95) > left && this.x(t95) < left + width - 40)
      label(pen, close ? `5 % to 95 %: ${number((t95 - t5) * 1000, 1)} ms` : `95 %, ${number((t95 - t5) * 1000, 1)} ms later`, this.x(t95) + 7, boxes[2].top + boxes[2].height / 2, INK.doubt);
    if (this.desk.cursor !== null) line((this.desk.cursor - at) / S, INK.cursor, [6, 3]);
    if (this.playhead !== null) line(this.playhead, INK.ink, []);
  }

  drawTime(pen, box) {
    const bottom = box.top + box.height, { left, width } = this.axis();
    pen.textBaseline = "top";
    pen.textAlign = "center";
    for (const [ms, text] of ticks(this.view.from * 1000, this.view.to * 1000, Math.max(2, Math.floor(width / 70)))) {
      const x = this.x(ms / 1000);
      if (x < left - 1 || x > left + width + 1) continue;
      pen.strokeStyle = INK.line;
      pen.beginPath();
      pen.moveTo(x, bottom);
      pen.lineTo(x, bottom + 4);
      pen.stroke();
      pen.fillStyle = INK.quiet;
      pen.fillText(text, x, bottom + 5);
    }
    pen.fillStyle = INK.ink;
    pen.textAlign = "left";
    pen.fillText("Time after the start of the pulse interval, ms", left, bottom + 20);
  }
}

function colour(share) {
  const at = Math.min(1, Math.max(0, share)) * (MAP.length - 1), k = Math.min(MAP.length - 2, Math.floor(at)), rest = at - k;
  return MAP[k].map((value, i) => Math.round(value + (MAP[k + 1][i] - value) * rest));
}

const TABLE = Uint8Array.from(Array.from({ length: 256 }, (_, k) => colour(k / 255)).flat());
