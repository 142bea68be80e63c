// Holds the levels of one trace: the coarsest is in the page, the others come from files beside it when they are wanted. A chunk is
// bins or samples that are there or not there together; package report/tiles says how it is written.
function traceStore(t, arrived) {
  const canUnpack = typeof DecompressionStream === "function";
  const state = { waiting: 0, failed: 0, packed: !canUnpack && t.levels.length > 1 };
  const levels = t.levels.map(l => {
    const first = [], rank = []; // of each run of chunks, and how many chunks came before it
    let before = 0;
    for (let i = 0; i < (l.runs || []).length; i += 2) {
      first.push(l.runs[i]);
      rank.push(before);
      before += l.runs[i + 1];
    }
    return { s: l.s, slots: l.slots, group: l.group || 0, prefix: l.prefix || "", runs: l.runs || [], first, rank, chunks: before, loaded: new Map() };
  });
  const top = levels.length - 1, fileOrder = [], mostFiles = 160;

  // at is which of the chunks of a level a chunk is; -1 where it is not there.
  function at(l, chunk) {
    if (!l.group) return 0;
    let low = 0, high = l.first.length;
    while (low < high) {
      const mid = (low + high) >> 1;
      l.first[mid] <= chunk ? low = mid + 1 : high = mid;
    }
    const k = low - 1;
    return k >= 0 && chunk < l.first[k] + l.runs[2 * k + 1] ? l.rank[k] + chunk - l.first[k] : -1;
  }
  function chunkAt(l, rank) {
    let k = l.rank.length - 1;
    while (k > 0 && l.rank[k] > rank) k--;
    return l.first[k] + rank - l.rank[k];
  }
  const lengthOf = (l, chunk) => Math.min(l.slots, Math.ceil(t.n / l.s) - chunk * l.slots);

  function reader(bytes) {
    let p = 0;
    return (n, width) => {
      const planes = [];
      for (let i = 0; i < width; i++) {
        if (bytes[p++] === 0) planes.push(bytes[p++]);
        else {
          planes.push(bytes.subarray(p, p + n));
          p += n;
        }
      }
      return planes;
    };
  }
  function numbers(planes, n, Kind) {
    const width = Kind.BYTES_PER_ELEMENT, out = new Uint8Array(n * width);
    planes.forEach((plane, k) => {
      if (typeof plane === "number") {
        if (plane) for (let i = 0, q = k; i < n; i++, q += width) out[q] = plane;
      } else for (let i = 0, q = k; i < n; i++, q += width) out[q] = plane[i];
    });
    return new Kind(out.buffer);
  }
  function chunkFrom(read, l, n) {
    const get = (Kind) => numbers(read(n, Kind.BYTES_PER_ELEMENT), n, Kind);
    if (l.s === 1) return { n, raw: true, signals: t.signals.map(() => ({ c: get(Int32Array), r: get(Uint8Array) })) };
    const c = { n, raw: false, count: get(Int32Array) };
    c.signals = t.signals.map(() => ({ min: get(Float32Array), max: get(Float32Array), sum: get(Float64Array) }));
    if (t.cross) c.cross = get(Float64Array);
    return c;
  }
  const bytesOf = text => Uint8Array.from(atob(text), c => c.charCodeAt(0));
  if (t.levels[top].data) levels[top].loaded.set(0, chunkFrom(reader(bytesOf(t.levels[top].data)), levels[top], t.levels[top].slots));

  async function unpack(l, number, text) {
    const raw = new Response(new Blob([bytesOf(text)]).stream().pipeThrough(new DecompressionStream("deflate-raw")));
    const read = reader(new Uint8Array(await raw.arrayBuffer()));
    const chunks = [];
    for (let rank = number * l.group; rank < Math.min(l.chunks, (number + 1) * l.group); rank++) {
      const chunk = chunkAt(l, rank);
      l.loaded.set(chunk, chunkFrom(read, l, lengthOf(l, chunk)));
      chunks.push(chunk);
    }
    fileOrder.push([l, number, chunks]);
    while (fileOrder.length > mostFiles) {
      const [old, oldNumber, gone] = fileOrder.shift();
      old.asked.delete(oldNumber);
      for (const chunk of gone) old.loaded.delete(chunk);
    }
  }
  function load(l, number) {
    l.asked ||= new Map();
    if (!canUnpack || l.asked.has(number)) return;
    l.asked.set(number, true);
    state.waiting++;
    const script = document.createElement("script");
    const done = failed => {
      state.waiting--;
      state.failed += failed ? 1 : 0;
      arrived();
    };
    script.onload = () => script.remove();
    script.onerror = () => {
      script.remove();
      done(true);
    };
    traceStore.callers.set(t.name + "/" + l.prefix + number, text => unpack(l, number, text).then(() => done(false), () => done(true)));
    script.src = `report/${t.name}/${l.prefix}${number}.js`;
    document.head.append(script);
  }

  return {
    levels, top, state,
    // present tells whether a chunk is in the page or in a file.
    present: (level, chunk) => at(levels[level], chunk) >= 0 && (canUnpack || level === top),
    // get gives a chunk; where it is not here yet, nothing, and it is fetched.
    get(level, chunk) {
      const l = levels[level], have = l.loaded.get(chunk);
      if (have || level === top) return have;
      const rank = at(l, chunk);
      if (rank >= 0) load(l, Math.floor(rank / l.group));
    },
  };
}
traceStore.callers = new Map();
window.fourwireTile = (name, prefix, number, text) => {
  const key = name + "/" + prefix + number, take = traceStore.callers.get(key);
  traceStore.callers.delete(key);
  if (take) take(text);
};
