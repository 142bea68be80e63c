// Holds what has been asked for of one trace: spans in bins, by the API. The finest level is single samples; each level has four times fewer bins.
// t.source has path, the address of the trace, and ask, which gives the answer to a query as a value.
function traceStore(t, arrived) {
  const slots = 512, most = 4, kept = 300, state = { waiting: 0, failed: 0, packed: false, why: "" };
  const levels = [];
  for (let s = 1; ; s *= 4) {
    levels.push({ s, slots, loaded: new Map() });
    if (t.n <= s * slots) break;
  }
  const top = levels.length - 1, asked = new Map(), order = [], line = [], sums = new Map();
  let wanted = [], running = 0, sumTimer = 0;
  const at = index => Number((index * t.interval).toPrecision(15)) + " s";

  async function bins(signal, from, to, count) {
    return t.source.ask({ signal: t.signals[signal].name, from: at(from), to: at(to), bins: count });
  }

  // even makes bins that begin where the samples are stored into bins of one width.
  function even(answer, from, to, s) {
    const n = Math.ceil((to - from) / s), out = { n, raw: false, count: new Float64Array(n), signals: [] }, g = { min: new Float64Array(n).fill(Infinity), max: new Float64Array(n).fill(-Infinity), sum: new Float64Array(n) };
    answer.t.forEach((begin, k) => {
      if (!answer.count[k]) return;
      const a = Math.round(begin / t.interval), b = k + 1 < answer.t.length ? Math.round(answer.t[k + 1] / t.interval) : to, share = answer.count[k] / (b - a);
      for (let j = Math.floor((a - from) / s); j < n && from + j * s < b; j++) {
        const part = (Math.min(b, from + (j + 1) * s) - Math.max(a, from + j * s)) * share;
        if (answer.min[k] < g.min[j]) g.min[j] = answer.min[k];
        if (answer.max[k] > g.max[j]) g.max[j] = answer.max[k];
        g.sum[j] += answer.mean[k] * part;
        out.count[j] += part;
      }
    });
    return [out, g];
  }

  async function load(level, chunk) {
    const l = levels[level], from = chunk * slots * l.s, to = Math.min(t.n, from + slots * l.s);
    try {
      const answers = await Promise.all(t.signals.map((_, k) => bins(k, from, to, Math.ceil((to - from) / l.s))));
      const all = answers.map(a => even(a, from, to, l.s)), c = all[0][0];
      c.signals = all.map(([, g]) => g);
      l.loaded.set(chunk, c);
      order.push([level, chunk]);
      while (order.length > kept) {
        const k = order.findIndex(([level]) => level !== top), [old, gone] = order.splice(k, 1)[0];
        levels[old].loaded.delete(gone);
        asked.delete(old + "/" + gone);
      }
      state.failed = 0;
      state.why = "";
    } catch (e) {
      state.failed = 1;
      state.why = "A part could not be loaded: " + e.message + ".";
      setTimeout(() => {
        asked.delete(level + "/" + chunk);
        arrived();
      }, 2000);
    }
  }

  // of what one picture lacks only the finest is fetched: coarser ones stand in for it meanwhile
  function gather() {
    const finest = Math.min(...wanted.map(([level]) => level));
    for (const [level, chunk] of wanted) {
      const key = level + "/" + chunk;
      if (level !== finest && level !== top || asked.has(key)) continue;
      asked.set(key, true);
      state.waiting++;
      line.unshift([level, chunk]);
    }
    wanted = [];
    while (line.length > 24) { // somebody has gone on long ago
      const [level, chunk] = line.pop();
      asked.delete(level + "/" + chunk);
      state.waiting--;
    }
    next();
  }
  function next() {
    while (running < most && line.length) {
      const [level, chunk] = line.shift();
      running++;
      load(level, chunk).finally(() => {
        running--;
        state.waiting--;
        arrived();
        next();
      });
    }
  }

  return {
    levels, top, state,
    present: () => true,
    get(level, chunk) {
      const have = levels[level].loaded.get(chunk);
      if (!have && chunk >= 0 && chunk * slots * levels[level].s < t.n) {
        if (!wanted.length) queueMicrotask(gather);
        wanted.push([level, chunk]);
      }
      return have;
    },
    // sum is what lies between two samples: the daemon adds whole numbers, as everywhere.
    sum(a, b) {
      const key = a + "/" + b, known = sums.get(key);
      if (known) return known;
      const none = { count: 0, cross: 0, sums: t.signals.map(() => 0), min: t.signals.map(() => 0), max: t.signals.map(() => 0), waiting: b > a, coarse: false };
      if (b <= a) return none;
      clearTimeout(sumTimer);
      sumTimer = setTimeout(async () => {
        try {
          const all = await Promise.all(t.signals.map((_, k) => bins(k, a, b, 1))), present = x => x.count.reduce((p, q) => p + q, 0);
          if (sums.size > 200) sums.clear();
          sums.set(key, { count: present(all[0]), cross: 0, sums: all.map(x => (x.integral || 0) / t.interval), min: all.map(x => Math.min(...x.min.filter(v => v !== null))), max: all.map(x => Math.max(...x.max.filter(v => v !== null))), waiting: false, coarse: false });
        } catch (e) {
          state.failed = 1;
          state.why = "What lies between could not be asked for: " + e.message + ".";
        }
        arrived();
      }, 120);
      return none;
    },
  };
}
