// Numbers, uncertainties, times as texts: the same way in which the reports write them.

const prefixes = [["T", 1e12], ["G", 1e9], ["M", 1e6], ["k", 1e3], ["", 1], ["m", 1e-3], ["u", 1e-6], ["n", 1e-9], ["p", 1e-12], ["f", 1e-15]];

// scaleFor chooses the unit that suits the largest magnitude of values in a coherent unit; "1" is a ratio.
export function scaleFor(largest, unit) {
  const size = Math.abs(largest) || 1;
  if (unit === "1" || unit === "") return size > 1.5 && isFinite(size) ? { factor: 1, offset: 0, symbol: "" } : { factor: 0.01, offset: 0, symbol: "%" };
  if (unit === "K" || unit === "degC") return { factor: 1, offset: unit === "K" ? 273.15 : 0, symbol: "°C" };
  if (unit.includes("/") || unit.includes("*") || unit.includes("^")) return { factor: 1, offset: 0, symbol: pretty(unit) };
  for (const [prefix, factor] of prefixes) {
    if (unit === "s" && factor > 1) continue;
    if (size * (1 + 5e-7) >= factor) return { factor, offset: 0, symbol: pretty(prefix + unit) };
  }
  return { factor: 1e-15, offset: 0, symbol: pretty("f" + unit) };
}

// pretty writes units as people print them.
export const pretty = text => text.replace(/ohm/g, "Ω").replace(/degC/g, "°C").replace(/\bu(?=[VAWFHsJCSΩ])/g, "µ");

// numbers gives value and uncertainty in a scale, without unit: the uncertainty with two significant digits, the value to the same
// place (JCGM 100:2008, 7.2.6). Without an uncertainty the value has six significant digits.
export function numbers(v, u, scale) {
  if (v === null || v === undefined || !isFinite(v)) return ["", ""];
  let x = (v - scale.offset) / scale.factor;
  if (u === null || u === undefined || !(u > 0) || !isFinite(u)) return [short(x), ""];
  let ux = u / scale.factor;
  let places = 1 - Number(ux.toExponential(1).split("e")[1]);
  if (places > 9 || places < -6 || Math.abs(x) >= 1e9) return [short(x), String(Number(ux.toPrecision(2)))];
  if (places < 0) {
    const round = Math.pow(10, -places);
    x = Math.round(x / round) * round;
    ux = Math.round(ux / round) * round;
    places = 0;
  }
  return [fixed(x, places), ux.toFixed(places)];
}

const fixed = (x, places) => x.toFixed(places).replace(/^-(?=[0.]*$)/, "").replace("-", "−");

function short(x) {
  if (x === 0) return "0";
  const a = Math.abs(x);
  if (a >= 1e7 || a < 1e-4) return String(Number(x.toPrecision(6))).replace("-", "−");
  return String(Number(x.toFixed(Math.max(0, 5 - Math.floor(Math.log10(a)))))).replace("-", "−");
}

// withU is value and uncertainty with their unit: "(90.12 ± 0.34) %".
export function withU(v, u, unit) {
  const scale = scaleFor(v ? v : u, unit), [value, uncertainty] = numbers(v, u, scale);
  if (!value) return "no value";
  if (!uncertainty) return (value + " " + scale.symbol).trim();
  return scale.symbol ? `(${value} ± ${uncertainty}) ${scale.symbol}` : `${value} ± ${uncertainty}`;
}

// plain is a value with its unit.
export const plain = (v, unit) => withU(v, null, unit);

// signed is a difference: with its sign, and without the doubt whether per cent are of the value.
export function signed(v, u, unit) {
  const scale = scaleFor(Math.max(Math.abs(v), u || 0), unit), [value, uncertainty] = numbers(v, u, scale), symbol = scale.symbol === "%" ? "% points" : scale.symbol;
  if (!value) return "no value";
  const sign = v > 0 && /[1-9]/.test(value) ? "+" : "";
  if (!uncertainty) return (sign + value + " " + symbol).trim();
  return symbol ? `(${sign}${value} ± ${uncertainty}) ${symbol}` : `${sign}${value} ± ${uncertainty}`;
}

// lasting is how long something takes.
export function lasting(seconds) {
  if (!(seconds >= 0)) return "";
  if (seconds < 1) return plain(Number(seconds.toPrecision(2)), "s");
  if (seconds < 99.5) return Number(seconds.toPrecision(seconds < 10 ? 2 : 3)) + " s";
  const min = Math.round(seconds / 60), hours = Math.floor(min / 60), days = Math.floor(hours / 24);
  if (min < 60) return min + " min";
  if (days > 1) return `${days} d ${hours - 24 * days} h`;
  return min % 60 ? `${hours} h ${min % 60} min` : hours + " h";
}

const months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const two = n => String(n).padStart(2, "0");

// when is a date and time of the clock of whoever looks: without the date where it is today's.
export function when(text, now = new Date()) {
  const t = new Date(text);
  if (!text || isNaN(t)) return "";
  const clock = `${two(t.getHours())}:${two(t.getMinutes())}`;
  if (t.toDateString() === now.toDateString()) return clock + ":" + two(t.getSeconds());
  return `${date(t, now)} ${clock}`;
}

// date is a date, with its year where that is another one.
export function date(text, now = new Date()) {
  const t = new Date(text);
  if (!text || isNaN(t)) return "";
  return `${t.getDate()} ${months[t.getMonth()]}` + (t.getFullYear() === now.getFullYear() ? "" : " " + t.getFullYear());
}

export const count = (n, one, many) => `${n} ${n === 1 ? one : many || one + "s"}`;
