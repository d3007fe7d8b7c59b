// What both figures share: a canvas as sharp as the screen, panels with axes, signs, a view of time that keys and mouse move.

import { ticks } from "./format.js";

export const INK = colours();

function colours() {
  const style = getComputedStyle(document.documentElement), found = {};
  for (const name of ["ink", "quiet", "line", "shade", "strike", "doubt", "no", "background", "interval", "cursor", "wave", "band", "sheet"])
    found[name] = style.getPropertyValue(`--${name}`).trim();
  return found;
}

export const FONT = "12px system-ui, 'Segoe UI', 'Liberation Sans', sans-serif";
export const LEFT = 62, RIGHT = 12;

// The drawing context of a canvas, cleared, with its size in CSS pixels.
export function sheet(canvas) {
  const scale = window.devicePixelRatio || 1, width = canvas.clientWidth, height = canvas.clientHeight;
  if (canvas.width !== Math.round(width * scale) || canvas.height !== Math.round(height * scale)) {
    canvas.width = Math.round(width * scale);
    canvas.height = Math.round(height * scale);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(scale, 0, 0, scale, 0, 0);
  pen.clearRect(0, 0, width, height);
  pen.font = FONT;
  pen.lineWidth = 1;
  return { pen, width, height };
}

// A panel's frame, title and axis of numbers; returns where a value lies.
export function panel(pen, box, title, low, high, options = {}) {
  const y = options.y || ((value) => box.top + box.height - ((value - low) / (high - low)) * box.height);
  const marks = options.ticks || ticks(low, high, Math.max(3, Math.floor(box.height / 22)));
  pen.textAlign = "right";
  pen.textBaseline = "middle";
  for (const [value, text] of marks) {
    const at = Math.round(y(value)) + 0.5;
    if (at < box.top - 1 || at > box.top + box.height + 1) continue;
    pen.strokeStyle = options.bare ? INK.line : INK.shade;
    pen.beginPath();
    pen.moveTo(options.bare ? box.left - 4 : box.left, at);
    pen.lineTo(options.bare ? box.left : box.left + box.width, at);
    pen.stroke();
    pen.fillStyle = INK.quiet;
    pen.fillText(text, box.left - 6, at);
  }
  pen.strokeStyle = INK.line;
  pen.strokeRect(box.left + 0.5, box.top + 0.5, box.width, box.height);
  pen.textAlign = "left";
  pen.textBaseline = "bottom";
  pen.fillStyle = INK.ink;
  pen.fillText(fitted(pen, title, box.width + LEFT - 8), box.left - LEFT + 6, box.top - 7);
  return y;
}

export function fitted(pen, text, width) {
  if (pen.measureText(text).width <= width) return text;
  let cut = text;
  while (cut.length > 1 && pen.measureText(`${cut}…`).width > width) cut = cut.slice(0, -1);
  return `${cut}…`;
}

export function within(pen, box, draw) {
  pen.save();
  pen.beginPath();
  pen.rect(box.left, box.top - 1, box.width, box.height + 2);
  pen.clip();
  draw();
  pen.restore();
}

// Text on a light ground, so that it can be read over whatever lies below.
export function label(pen, text, x, y, colour = INK.ink, align = "left") {
  pen.textAlign = align;
  pen.textBaseline = "middle";
  const width = pen.measureText(text).width, left = align === "left" ? x : align === "right" ? x - width : x - width / 2;
  pen.globalAlpha = 0.85;
  pen.fillStyle = INK.sheet;
  pen.fillRect(left - 2, y - 8, width + 4, 16);
  pen.globalAlpha = 1;
  pen.fillStyle = colour;
  pen.fillText(text, x, y);
}

export function hatched(pen, left, top, width, height, colour) {
  pen.save();
  pen.beginPath();
  pen.rect(left, top, width, height);
  pen.clip();
  pen.strokeStyle = colour;
  pen.globalAlpha = 0.45;
  for (let x = left - height - ((left - height) % 9); x < left + width; x += 9) {
    pen.beginPath();
    pen.moveTo(x, top + height);
    pen.lineTo(x + height, top);
    pen.stroke();
  }
  pen.restore();
}

// Signs by shape first, colour second: colour, filled or not, and the path about a point.
const SHAPES = {
  strike: [INK.strike, true, (p, x, y, r) => { p.moveTo(x + r * 0.8, y); p.arc(x, y, r * 0.8, 0, 7); }],
  out: [INK.strike, false, (p, x, y, r) => { p.moveTo(x + r * 0.85, y); p.arc(x, y, r * 0.85, 0, 2 * Math.PI); p.lineTo(x - r * 0.85, y); }],
  at_most: [INK.strike, false, (p, x, y, r) => { p.moveTo(x - r, y - r * 0.7); p.lineTo(x + r, y - r * 0.7); p.lineTo(x, y + r); p.closePath(); }],
  at_least: [INK.strike, true, (p, x, y, r) => { p.moveTo(x - r, y + r * 0.7); p.lineTo(x + r, y + r * 0.7); p.lineTo(x, y - r); p.closePath(); }],
  rejected: [INK.no, false, (p, x, y, r) => { p.moveTo(x - r, y - r); p.lineTo(x + r, y + r); p.moveTo(x - r, y + r); p.lineTo(x + r, y - r); }],
  doubt: [INK.doubt, false, (p, x, y, r) => { p.moveTo(x, y - r * 1.7); p.lineTo(x + r * 1.7, y); p.lineTo(x, y + r * 1.7); p.lineTo(x - r * 1.7, y); p.closePath(); }],
  waiting: [INK.ink, false, (p, x, y, r) => p.rect(x - r * 1.8, y - r * 1.8, r * 3.6, r * 3.6)],
  chosen: [INK.cursor, false, (p, x, y, r) => { p.moveTo(x + r * 2.2, y); p.arc(x, y, r * 2.2, 0, 7); }],
};

export function sign(pen, name, x, y, radius = 4) { signs(pen, name, [x, y], radius); }

// Many of one kind; `at` holds x, y, x, y, ...
export function signs(pen, name, at, radius) {
  const [colour, filled, path] = SHAPES[name];
  pen.strokeStyle = pen.fillStyle = colour;
  if (name === "strike" && radius <= 2) {
    for (let k = 0; k < at.length; k += 2) pen.fillRect(at[k] - 1.5, at[k + 1] - 1.5, 3, 3);
    return;
  }
  pen.lineWidth = name === "chosen" ? 2.5 : 1.5;
  pen.beginPath();
  for (let k = 0; k < at.length; k += 2) path(pen, at[k], at[k + 1], radius);
  if (filled) pen.fill(); else pen.stroke();
  pen.lineWidth = 1;
}

// Signs by kind, one for each pixel: what lies beneath another of its kind is not drawn.
export class Signs {
  constructor() { this.kinds = new Map(); }

  put(name, faint, x, y) {
    const key = `${name}${faint ? " faint" : ""}`, at = Math.round(x) * 4096 + Math.round(y);
    if (!this.kinds.has(key)) this.kinds.set(key, { name, faint, at: [], seen: new Set() });
    const kind = this.kinds.get(key);
    if (kind.seen.has(at)) return;
    kind.seen.add(at);
    kind.at.push(x, y);
  }

  draw(pen, radius) {
    for (const { name, faint, at } of this.kinds.values()) {
      pen.globalAlpha = faint ? 0.15 : 1;
      signs(pen, name, at, radius);
    }
    pen.globalAlpha = 1;
  }
}

// A stretch of time within its ends, moved by keys, wheel and mouse. `changed` is called after each move.
export class View {
  constructor(changed, least) {
    this.changed = changed;
    this.least = least;
    this.set(0, 1, 0, 1);
  }

  set(from, to, first = this.first, last = this.last) {
    this.first = first;
    this.last = last;
    const span = Math.min(Math.max(to - from, Math.min(this.least, last - first)), last - first);
    const middle = (from + to) / 2;
    this.from = Math.min(Math.max(middle - span / 2, first), last - span);
    this.to = this.from + span;
    this.changed();
  }

  get span() { return this.to - this.from; }
  all() { this.set(this.first, this.last); }
  shift(share) { this.set(this.from + share * this.span, this.to + share * this.span); }
  centre(at, span = this.span) { this.set(at - span / 2, at + span / 2); }
  zoom(factor, at = (this.from + this.to) / 2) {
    this.set(at - (at - this.from) * factor, at + (this.to - at) * factor);
  }
}

// Wheel zooms, dragging shifts, a click calls `clicked(x, y)`; `box()` says where the time axis lies.
export function moved(canvas, view, box, clicked) {
  let held = null;
  const at = (event) => event.clientX - canvas.getBoundingClientRect().left;
  canvas.addEventListener("wheel", (event) => {
    if (event.ctrlKey) return;
    event.preventDefault();
    const { left, width } = box(), sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
    if (sideways || event.shiftKey) view.shift((event.deltaX || event.deltaY) / width);
    else view.zoom(1.0015 ** event.deltaY, view.from + ((at(event) - left) / width) * view.span);
  }, { passive: false });
  canvas.addEventListener("pointerdown", (event) => {
    held = { x: at(event), from: view.from, to: view.to, dragged: false };
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!held) return;
    const far = at(event) - held.x;
    if (Math.abs(far) > 4) held.dragged = true;
    if (held.dragged) view.set(held.from - (far / box().width) * view.span, held.to - (far / box().width) * view.span);
  });
  canvas.addEventListener("pointerup", (event) => {
    if (held && !held.dragged) clicked(at(event), event.clientY - canvas.getBoundingClientRect().top);
    held = null;
  });
  canvas.addEventListener("pointercancel", () => { held = null; });
}
