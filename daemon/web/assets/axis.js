// Axes: round marks in engineering units, linear or logarithmic; the same rules as for the pictures of reports.

import { scaleFor, pretty, plain } from "./format.js";

// axis spans low to high, SI, with about want labelled marks. A logarithmic one needs both above 0.
export function axis(low, high, log, name, unit, want) {
  const a = { low, high, log: log && low > 0 && high > 0, scale: scaleFor(Math.max(Math.abs(low), Math.abs(high)), unit), ticks: [] };
  a.label = name + (a.scale.symbol ? ` [${a.scale.symbol}]` : "");
  a.log ? logTicks(a, name, unit, want) : linearTicks(a, want);
  a.place = x => a.log ? Math.log(x / a.low) / Math.log(a.high / a.low) : (x - a.low) / (a.high - a.low);
  return a;
}

const niceStep = rough => {
  const ten = Math.pow(10, Math.floor(Math.log10(rough)));
  return [1, 2, 2.5, 5, 10].map(m => m * ten).find(step => step >= rough * (1 - 1e-9));
};

function linearTicks(a, want) {
  let lo = (a.low - a.scale.offset) / a.scale.factor, hi = (a.high - a.scale.offset) / a.scale.factor;
  if (!(hi > lo)) {
    const half = Math.abs(lo) * 0.05 || 1;
    [lo, hi] = [lo - half, hi + half];
  }
  if (lo > 0 && lo < 0.3 * hi) lo = 0;
  const step = niceStep((hi - lo) / Math.max(1, want)), first = Math.floor(lo / step + 1e-9), last = Math.ceil(hi / step - 1e-9);
  let places = 0;
  while (places < 12 && Math.abs(step * 10 ** places - Math.round(step * 10 ** places)) > 1e-6) places++;
  const si = x => x * a.scale.factor + a.scale.offset;
  for (let k = first; k <= last && a.ticks.length < 100; k++) a.ticks.push({ at: si(k * step), label: (k * step + 0).toFixed(places).replace("-", "−") });
  [a.low, a.high] = [si(first * step), si(last * step)];
}

function logTicks(a, name, unit, want) {
  let { low, high } = a;
  if (!(high > low * 1.001)) [low, high] = [low / 1.5, high * 1.5];
  const pad = Math.pow(high / low, 0.03), decades = Math.log10(high / low), every = Math.max(1, Math.ceil(decades / Math.max(1, want)));
  [a.low, a.high] = [low / pad, high * pad];
  const labelled = 3 * decades > 1.6 * want ? [1] : [1, 2, 5], prefixed = high / low >= 1e4;
  if (prefixed) a.label = name;
  const lo = a.low / a.scale.factor, hi = a.high / a.scale.factor;
  for (let k = Math.floor(Math.log10(lo)); k <= Math.ceil(Math.log10(hi)); k++) for (let m = 1; m < 10; m++) {
    const x = m * 10 ** k;
    if (x < lo || x > hi) continue;
    const at = x * a.scale.factor, shown = labelled.includes(m) && (every === 1 || k % every === 0);
    a.ticks.push({ at, label: !shown ? "" : prefixed ? plain(Number(at.toPrecision(3)), unit) : x.toFixed(Math.max(0, -k)) });
  }
}
