// The sum over samples a..b of a trace, from the coarsest whole bins and finer ones at both ends: the same whole numbers as adding every sample.
function traceSum(t, store, a, b) {
  const { levels, top } = store;
  const out = { count: 0, cross: 0, sums: t.signals.map(() => 0), min: t.signals.map(() => Infinity), max: t.signals.map(() => -Infinity), waiting: false, coarse: false };
  function bins(level, first, last) {
    const l = levels[level];
    for (let j = first; j < last;) {
      const chunk = Math.floor(j / l.slots), end = Math.min(last, (chunk + 1) * l.slots), c = store.get(level, chunk);
      if (c) add(c, l, j - chunk * l.slots, end - chunk * l.slots);
      else if (store.present(level, chunk)) out.waiting = true;
      else out.coarse = true;
      j = end;
    }
  }
  function add(c, l, from, to) {
    for (let k = 0; k < t.signals.length; k++) {
      const g = c.signals[k], mults = t.signals[k].mults, steps = t.signals[k].steps;
      let sum = 0, min = out.min[k], max = out.max[k];
      if (c.raw) {
        for (let i = from; i < to; i++) {
          const n = g.c[i];
          if (n === missing) continue;
          const r = g.r[i], x = n * steps[r];
          sum += n * mults[r];
          if (x < min) min = x;
          if (x > max) max = x;
        }
      } else for (let i = from; i < to; i++) {
        sum += g.sum[i];
        if (g.min[i] < min) min = g.min[i];
        if (g.max[i] > max) max = g.max[i];
      }
      out.sums[k] += sum;
      out.min[k] = min;
      out.max[k] = max;
    }
    if (c.raw) {
      const i = t.cross ? c.signals[t.i] : null, v = t.cross ? c.signals[t.v] : null;
      for (let k = from; k < to; k++) {
        if (c.signals[0].c[k] === missing) continue;
        out.count++;
        if (i) out.cross += i.c[k] * t.signals[t.i].steps[i.r[k]] * v.c[k] * t.signals[t.v].steps[v.r[k]];
      }
    } else for (let k = from; k < to; k++) {
      out.count += c.count[k];
      if (t.cross) out.cross += c.cross[k];
    }
  }
  function walk(level, a, b) {
    if (a >= b) return;
    const s = levels[level].s, first = Math.ceil(a / s), last = b >= t.n ? Math.ceil(t.n / s) : Math.floor(b / s);
    if (first < last) {
      bins(level, first, last);
      if (level > 0) {
        walk(level - 1, a, Math.min(b, first * s));
        walk(level - 1, Math.max(a, last * s), b);
      }
    } else if (level > 0) walk(level - 1, a, b);
  }
  walk(top, a, b);
  return out;
}
const missing = -2147483648;

// The nearest place at which the trace can be cut: between two samples, or between two bins where no samples are kept.
function traceSnap(t, store, x) {
  x = Math.max(0, Math.min(t.n, x));
  for (let level = 0; level <= store.top; level++) {
    const l = store.levels[level], span = l.s * l.slots, chunk = Math.min(Math.floor(x / span), Math.ceil(t.n / span) - 1);
    if (level === store.top || store.present(level, chunk)) return Math.min(t.n, Math.round(x / l.s) * l.s);
  }
}

// What is to be drawn of samples a..b in so many columns: of each signal least, most and mean, NaN where there is nothing.
function traceColumns(t, store, a, b, columns) {
  const { levels, top } = store, per = (b - a) / columns;
  let want = 0;
  while (want < top && levels[want + 1].s <= per) want++;
  const made = () => new Float64Array(columns);
  const out = { want, used: want, signals: t.signals.map(() => ({ lo: made().fill(Infinity), hi: made().fill(-Infinity), mean: made(), weight: made() })) };
  function piece(level, a1, b1) {
    const l = levels[level], span = l.s * l.slots;
    for (let chunk = Math.floor(a1 / span); chunk * span < b1; chunk++) {
      const from = Math.max(a1, chunk * span), to = Math.min(b1, (chunk + 1) * span), c = store.get(level, chunk);
      if (!c) {
        if (level < top) piece(level + 1, from, to);
        continue;
      }
      out.used = Math.max(out.used, level);
      put(c, l, chunk * span, from, to);
    }
  }
  function put(c, l, start, from, to) {
    const first = Math.max(0, Math.floor((from - start) / l.s)), last = Math.min(c.n, Math.ceil((to - start) / l.s));
    for (let k = 0; k < t.signals.length; k++) {
      const g = c.signals[k], { base, steps } = t.signals[k], { lo, hi, mean, weight } = out.signals[k];
      for (let i = first; i < last; i++) {
        let min, max, mid;
        if (c.raw) {
          if (g.c[i] === missing) continue;
          min = max = mid = g.c[i] * steps[g.r[i]];
        } else {
          const n = c.count[i];
          if (!n) continue;
          min = g.min[i];
          max = g.max[i];
          mid = g.sum[i] * base / n;
        }
        const begin = Math.max(from, start + i * l.s), end = Math.min(to, start + (i + 1) * l.s);
        const c0 = Math.max(0, Math.floor((begin - a) / per)), c1 = l.s <= per ? c0 : Math.ceil((end - a) / per - 1e-9) - 1;
        for (let c = c0; c <= c1 && c < columns; c++) {
          if (min < lo[c]) lo[c] = min;
          if (max > hi[c]) hi[c] = max;
          mean[c] += mid;
          weight[c]++;
        }
      }
    }
  }
  piece(want, Math.max(0, a), Math.min(t.n, b));
  for (const s of out.signals) for (let c = 0; c < columns; c++) s.mean[c] = s.weight[c] ? s.mean[c] / s.weight[c] : NaN;
  return out;
}
