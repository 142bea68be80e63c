// A number with a prefix and its unit, as package quantity writes it.
function numberText(x, unit, digits) {
  if (x === 0 || !isFinite(x)) return x === 0 ? "0 " + unit : "–";
  const list = [["T", 1e12], ["G", 1e9], ["M", 1e6], ["k", 1e3], ["", 1], ["m", 1e-3], ["µ", 1e-6], ["n", 1e-9], ["p", 1e-12], ["f", 1e-15]];
  for (const [prefix, factor] of list) {
    if (unit === "s" && factor > 1) continue;
    if (Math.abs(x) * (1 + 5e-7) >= factor) return Number((x / factor).toPrecision(digits || 6)) + " " + prefix + unit;
  }
  return Number((x / 1e-15).toPrecision(digits || 6)) + " f" + unit;
}

// A time since the start of a trace: "2 h 3 min 4.567 s", with as many places as step needs.
function timeText(seconds, step) {
  if (Math.abs(seconds) < 1 && step < 1) return numberText(seconds, "s", 9);
  const places = Math.max(0, Math.min(9, Math.ceil(-Math.log10(step) - 1e-6))), unit = Math.pow(10, -places);
  let whole = Math.round(Math.abs(seconds) / unit) * unit + unit / 1e3;
  const h = Math.floor(whole / 3600), min = Math.floor(whole / 60) % 60, s = (whole - 60 * Math.floor(whole / 60)), cut = Math.floor(s / unit) * unit;
  const text = (h ? h + " h " : "") + (h || min ? min + " min " : "") + cut.toFixed(places) + " s";
  return (seconds < 0 ? "−" : "") + (cut === 0 && (h || min) ? text.replace(/ [0.]+ s$/, "").replace(/ 0 min$/, "") : text);
}

// Marks for a time axis from a to b seconds, about want of them; labels below a second count from a round time before, which comes with them.
function timeTicks(a, b, want) {
  const rough = (b - a) / want, ten = Math.pow(10, Math.floor(Math.log10(rough)));
  let step = [1, 2, 5, 10].map(m => m * ten).find(s => s >= rough * (1 - 1e-9));
  if (rough > 0.5) step = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400].find(s => s >= rough) || 86400 * Math.ceil(rough / 86400);
  const marks = [];
  let origin = 0;
  if (step < 1) {
    const round = Math.pow(10, Math.ceil(Math.log10((b - a) * 1.0001)));
    origin = Math.floor(a / round + 1e-9) * round;
  }
  for (let k = Math.ceil((a - origin) / step - 1e-6); origin + k * step <= b + step * 1e-6; k++) {
    const offset = k * step, at = origin + offset;
    let label;
    if (step < 1) label = numberText(Number(offset.toPrecision(9)), "s", 6);
    else if (b < 120) label = at + " s";
    else {
      const h = Math.floor(at / 3600 + 1e-9), m = Math.floor((at - 3600 * h) / 60 + 1e-9), s = Math.round(at - 3600 * h - 60 * m), two = x => String(x).padStart(2, "0");
      label = step >= 60 ? `${h}:${two(m)}` : `${h}:${two(m)}:${two(s)}`;
    }
    marks.push({ at, label: at === 0 ? "0" : label });
  }
  return { marks, origin, name: step < 1 ? (origin ? timeText(origin, Math.min(1, Math.pow(10, Math.ceil(Math.log10((b - a) * 1.0001))))) + " +" : "") : b < 120 ? "" : step >= 60 ? "h:min" : "h:min:s" };
}

// Marks for an axis of values.
function valueTicks(low, high, log, want) {
  const marks = [];
  if (log) {
    const decades = Math.log10(high / low), every = Math.max(1, Math.ceil(decades / want)), many = decades < 1.6;
    for (let k = Math.floor(Math.log10(low)); k <= Math.ceil(Math.log10(high)); k++) for (let m = 1; m < 10; m++) {
      const at = Number(m + "e" + k);
      if (at >= low && at <= high) marks.push({ at, labelled: m === 1 && k % every === 0 || many && (m === 2 || m === 5) });
    }
    if (marks.filter(m => m.labelled).length > 1) return marks;
    marks.length = 0; // within a part of a decade even steps tell more
  }
  const rough = (high - low) / want, ten = Math.pow(10, Math.floor(Math.log10(rough))), step = [1, 2, 2.5, 5, 10].map(m => m * ten).find(s => s >= rough * (1 - 1e-9));
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + step * 1e-9; k++) marks.push({ at: Number((k * step).toPrecision(10)), labelled: true });
  const largest = Math.max(Math.abs(low), Math.abs(high)), digits = Math.max(4, Math.min(9, Math.ceil(Math.log10(largest / step)) + 1));
  for (const m of marks) m.digits = digits; // or neighbours would have the same label
  return marks;
}
