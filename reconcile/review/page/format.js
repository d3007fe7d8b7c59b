// Numbers, times and axes as text. Times are UTC, whole microseconds since 1970.

export const S = 1e6, MINUTE = 60 * S, HOUR = 3600 * S, DAY = 86400 * S;
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

export const number = (value, digits = 1) => (value === null || Number.isNaN(value) ? "–" : value.toFixed(digits).replace("-", "−"));
export const words = (name) => name.replaceAll("_", " ");

function parts(us) {
  const seconds = Math.floor(us / S);
  return [new Date(seconds * 1000), Math.round(us - seconds * S)];
}

export function rfc3339(us) {
  const [date, rest] = parts(Math.round(us));
  return `${date.toISOString().slice(0, 19)}.${String(rest).padStart(6, "0")}Z`;
}

export function microseconds(text) {
  const found = /^(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(?:\.(\d+))?Z$/.exec(text.trim());
  if (!found) return NaN;
  return Date.parse(`${found[1]}Z`) * 1000 + Number((found[2] || "").padEnd(6, "0").slice(0, 6));
}

export function day(us) {
  const [date] = parts(us);
  return `${date.getUTCDate()} ${MONTHS[date.getUTCMonth()]} ${date.getUTCFullYear()}`;
}

export const clock = (us, digits = 3) => rfc3339(us).slice(11, 19 + (digits ? digits + 1 : 0));
export const moment = (us, digits = 3) => `${day(us)}, ${clock(us, digits)}`;

export function length(us) {
  if (us >= 2 * DAY) return `${number(us / DAY)} days`;
  if (us >= 2 * HOUR) return `${number(us / HOUR)} h`;
  if (us >= 2 * MINUTE) return `${number(us / MINUTE)} min`;
  return us >= 2 * S ? `${number(us / S)} s` : `${number(us / 1000, 0)} ms`;
}

const STEPS = [1, 2, 5, 10, 20, 50, 100, 200, 500].map((ms) => ms * 1000).concat(
  [1, 2, 5, 10, 15, 30].map((s) => s * S), [1, 2, 5, 10, 15, 30].map((m) => m * MINUTE),
  [1, 2, 3, 6, 12].map((h) => h * HOUR), [1, 2, 5, 10, 20].map((d) => d * DAY));

// Ticks of a time axis: [time, text], no more than `most`.
export function timeTicks(from, to, most) {
  const step = STEPS.find((one) => (to - from) / one <= most) || 50 * DAY;
  const ticks = [];
  for (let at = Math.ceil(from / step) * step; at <= to; at += step) {
    if (step >= DAY) ticks.push([at, day(at).slice(0, -5)]);
    else if (step >= MINUTE) ticks.push([at, at % DAY === 0 ? day(at).slice(0, -5) : clock(at, 0).slice(0, 5)]);
    else ticks.push([at, clock(at, step >= S ? 0 : 3)]);
  }
  return ticks;
}

// Ticks of an axis of numbers, at steps of 1, 2 or 5.
export function ticks(low, high, most) {
  if (!(high > low)) return [[low, String(low)]];
  const rough = (high - low) / Math.max(most, 1), ten = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((k) => k * ten).find((one) => one >= rough * 0.999);
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9)), found = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + step * 1e-9; k++) found.push([k * step, number(k * step, digits)]);
  return found;
}

export function logTicks(low, high) {
  const found = [];
  for (let ten = 10 ** Math.floor(Math.log10(low)); ten <= high; ten *= 10)
    for (const k of [1, 2, 5]) if (k * ten >= low && k * ten <= high) found.push([k * ten, k * ten >= 1000 ? `${(k * ten) / 1000}k` : String(k * ten)]);
  return found;
}
