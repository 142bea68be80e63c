// The colours of the page, as they are now: light or dark.
function traceColours(states) {
  const css = getComputedStyle(document.documentElement), get = name => css.getPropertyValue(name).trim();
  return { ink: get("--ink"), soft: get("--soft"), grid: get("--grid"), ground: get("--ground"), sheet: get("--sheet"), link: get("--link"), line: get("--line-1"), doubt: get("--undecided"),
    states: states.map((_, k) => get("--line-" + (k % 6 + 1))) };
}

// Where everything stands in a picture so wide, in CSS pixels from its top left corner.
function traceLayout(t, width) {
  const small = width < 560, left = small ? 54 : 76, right = width - (small ? 6 : 12), panels = [];
  let y = 20;
  t.signals.forEach((s, k) => {
    const main = k === Math.max(0, t.i), height = main ? (small ? 230 : 300) : (small ? 76 : 96);
    panels.push({ signal: k, top: y, bottom: y + height, main });
    y += height + 12;
  });
  const lanes = t.states.map((name, k) => ({ name, top: y - 4 + 15 * k, height: 11 }));
  y += lanes.length ? 15 * lanes.length + 2 : -6;
  const axis = y;
  return { width, left, right, panels, lanes, axis, over: { top: axis + 34, bottom: axis + 66 }, height: axis + 74, small };
}

// Where the values of a panel lie: of what is drawn, on a linear or a logarithmic axis.
function traceScale(found, log, unit, head) {
  let low = Infinity, high = -Infinity, least = Infinity;
  for (let c = 0; c < found.lo.length; c++) {
    if (found.hi[c] === -Infinity) continue;
    low = Math.min(low, found.lo[c]);
    high = Math.max(high, found.hi[c]);
    for (const x of [found.lo[c], found.mean[c], found.hi[c]]) if (x > 0 && x < least) {
      least = x;
      break;
    }
  }
  if (low > high) [low, high, least] = [0, 1, 0.1];
  if (log && high > 0) {
    least = Math.max(least, high * 1e-9);
    const bottom = Math.pow(10, Math.log10(least) - Math.max(0.06, 0.04 * Math.log10(high / least)));
    let top = Math.pow(10, Math.log10(high) + Math.max(0.06, 0.06 * Math.log10(high / least)));
    return { log: true, low: bottom, high: top, cut: low < bottom, place: x => x <= bottom ? 0 : Math.log(x / bottom) / Math.log(top / bottom), unit };
  }
  const room = (high - low) * 0.08 || Math.abs(high) * 0.05 || 1;
  let bottom = low - room, top = high + (head ? 4 : 1) * room; // some room for the name where it would stand on the line
  if (low >= 0 && low < 0.4 * high && unit === "A") bottom = Math.min(0, low);
  return { log: false, low: bottom, high: top, place: x => (x - bottom) / (top - bottom), unit };
}

// Draws the trace; gives what was found, for the text below it.
function traceDraw(canvas, t, store, view, marks) {
  const box = traceLayout(t, canvas.clientWidth || 300), dpr = Math.min(3, window.devicePixelRatio || 1), ctx = canvas.getContext("2d");
  if (canvas.width !== Math.round(box.width * dpr) || canvas.height !== Math.round(box.height * dpr)) {
    canvas.width = Math.round(box.width * dpr);
    canvas.height = Math.round(box.height * dpr);
    canvas.style.height = box.height + "px";
  }
  ctx.setTransform(dpr, 0, 0, dpr, 0, 0);
  const colour = traceColours(t.states), font = size => `${size}px ${getComputedStyle(canvas).fontFamily}`;
  const plotWidth = box.right - box.left, px = x => box.left + (x - view.a) / (view.b - view.a) * plotWidth;
  const columns = Math.max(50, Math.round(plotWidth * Math.min(2, dpr)));
  const found = traceColumns(t, store, view.a, view.b, columns);
  ctx.fillStyle = colour.ground;
  ctx.fillRect(0, 0, box.width, box.height);
  ctx.lineWidth = 1;
  const bottom = box.lanes.length ? box.lanes.at(-1).top + box.lanes.at(-1).height + 4 : box.panels.at(-1).bottom;
  const time = timeTicks(view.a * t.interval, view.b * t.interval, plotWidth / (box.small ? 78 : 105));
  timeAxis();
  for (const p of box.panels) panel(p);
  lanes();
  gaps();
  overview();
  return Object.assign(found, { box, px, at: x => view.a + (x - box.left) / plotWidth * (view.b - view.a) });

  function text(words, x, y, align, size, fill, ground) {
    ctx.font = font(size);
    ctx.textAlign = align;
    ctx.textBaseline = "middle";
    if (ground) {
      const w = ctx.measureText(words).width;
      ctx.fillStyle = colour.ground;
      ctx.globalAlpha = 0.85;
      ctx.fillRect(align === "right" ? x - w - 3 : x - 3, y - size / 2 - 2, w + 6, size + 4);
      ctx.globalAlpha = 1;
    }
    ctx.fillStyle = fill || colour.ink;
    ctx.fillText(words, x, y);
  }
  function line(x1, y1, x2, y2, stroke, dash) {
    ctx.strokeStyle = stroke;
    ctx.setLineDash(dash || []);
    ctx.beginPath();
    ctx.moveTo(x1, y1);
    ctx.lineTo(x2, y2);
    ctx.stroke();
    ctx.setLineDash([]);
  }
  function timeAxis() {
    let free = -Infinity;
    for (const m of time.marks) {
      const x = px(m.at / t.interval);
      if (x < box.left - 0.5 || x > box.right + 0.5) continue;
      line(Math.round(x) + 0.5, box.panels[0].top, Math.round(x) + 0.5, bottom + 4, colour.grid);
      ctx.font = font(12);
      const w = ctx.measureText(m.label).width, c = Math.max(box.left + w / 2, Math.min(box.right - w / 2, x));
      if (c - w / 2 < free + 6) continue;
      text(m.label, c, bottom + 13, "center", 12);
      free = c + w / 2;
    }
    text(time.origin ? "from " + time.name : time.name || "time since the start", box.right, bottom + 27, "right", 11.5, colour.soft);
  }
  function panel(p) {
    const s = t.signals[p.signal], f = found.signals[p.signal], scale = traceScale(f, p.main && view.log, s.unit, !p.main), height = p.bottom - p.top;
    const py = x => p.bottom - Math.max(-0.02, Math.min(1.02, scale.place(x))) * height;
    for (const m of valueTicks(scale.low, scale.high, scale.log, height / 42)) {
      const y = Math.round(py(m.at)) + 0.5;
      if (y < p.top - 1 || y > p.bottom + 1) continue;
      ctx.globalAlpha = m.labelled ? 1 : 0.45;
      line(box.left, y, box.right, y, colour.grid);
      ctx.globalAlpha = 1;
      if (m.labelled) text(numberText(m.at, s.unit, m.digits || 4), box.left - 7, Math.max(p.top + 6, Math.min(p.bottom - 5, y)), "right", box.small ? 11 : 12);
    }
    ctx.save();
    ctx.beginPath();
    ctx.rect(box.left, p.top - 1, plotWidth, height + 2);
    ctx.clip();
    const step = plotWidth / columns, shade = columnStates(), own = p.main ? null : colour.soft;
    const hue = c => own || (shade[c] >= 0 ? colour.states[shade[c]] : t.states.length ? colour.ink : colour.line);
    ctx.globalAlpha = 0.3;
    for (let c = 0; c < columns;) { // neighbours of one colour together
      const fill = hue(c);
      ctx.fillStyle = fill;
      ctx.beginPath();
      for (; c < columns && hue(c) === fill; c++) {
        if (f.hi[c] === -Infinity) continue;
        const y = py(f.hi[c]);
        ctx.rect(box.left + c * step, y, step, Math.max(1, py(f.lo[c]) - y));
      }
      ctx.fill();
    }
    ctx.globalAlpha = 1;
    ctx.lineWidth = 1.6;
    ctx.lineJoin = "round";
    for (let c = 0; c < columns; c++) {
      const y = py(f.mean[c]);
      if (isNaN(y)) continue;
      const first = c > 0 && !isNaN(f.mean[c - 1]);
      ctx.strokeStyle = hue(c);
      ctx.beginPath();
      if (first) ctx.moveTo(box.left + (c - 0.5) * step, py(f.mean[c - 1]));
      else ctx.moveTo(box.left + c * step, y);
      ctx.lineTo(box.left + (c + 0.5) * step, y);
      const stroke = hue(c);
      let last = c;
      while (last + 1 < columns && hue(last + 1) === stroke && !isNaN(f.mean[last + 1])) {
        last++;
        ctx.lineTo(box.left + (last + 0.5) * step, py(f.mean[last]));
      }
      ctx.stroke();
      c = last;
    }
    ctx.lineWidth = 1;
    let end = box.right - 4, above = null; // labels that would cover one another stand side by side
    if (p.main && marks.lines) for (const [name, x] of t.lines) {
      if (!(scale.place(x) > 0 && scale.place(x) < 1)) continue;
      const y = py(x), words = `${name} ${numberText(x, "A", 3)}`;
      line(box.left, y, box.right, y, colour.doubt, name === "floor" ? [2, 3] : [7, 4]);
      if (above !== null && Math.abs(above - y) > 17) end = box.right - 4;
      ctx.font = font(11);
      if (end - ctx.measureText(words).width > box.left + 80) text(words, end, y - 8, "right", 11, colour.doubt, true);
      end -= ctx.measureText(words).width + 14;
      above = y;
    }
    ctx.restore();
    line(box.left + 0.5, p.top, box.left + 0.5, p.bottom, colour.soft);
    line(box.left, p.bottom + 0.5, box.right, p.bottom + 0.5, colour.soft);
    text(s.node || s.name, box.left + 8, p.top + 10, "left", 12, colour.ink, true);
  }
  // the state of each column; -1 where there are several, or none
  function columnStates() {
    const out = new Int8Array(columns).fill(-1), from = t.spanFrom, per = (view.b - view.a) / columns;
    if (!from.length) return out;
    let k = spanAt(t, view.a);
    for (let c = 0; c < columns; c++) {
      const a = view.a + c * per, b = a + per;
      while (k + 1 < from.length && from[k + 1] <= a) k++;
      if (k >= 0 && (k + 1 >= from.length || from[k + 1] >= b)) out[c] = t.spanState[k];
    }
    return out;
  }
  function lanes() {
    if (!box.lanes.length) return;
    for (const l of box.lanes) {
      line(box.left, l.top + l.height + 1.5, box.right, l.top + l.height + 1.5, colour.grid);
      ctx.font = font(box.small ? 10 : 11);
      let name = l.name;
      while (name.length > 3 && ctx.measureText(name).width > box.left - 10) name = name.slice(0, -2).trimEnd() + "…";
      text(name, box.left - 7, l.top + l.height / 2 + 0.5, "right", box.small ? 10 : 11, colour.soft);
    }
    let last = box.lanes.map(() => -1);
    for (let k = Math.max(0, spanAt(t, view.a)); k < t.spanFrom.length && t.spanFrom[k] < view.b; k++) {
      const s = t.spanState[k], lane = box.lanes[s];
      if (!lane) continue;
      const from = Math.max(box.left, px(t.spanFrom[k])), to = Math.min(box.right, k + 1 < t.spanFrom.length ? px(t.spanFrom[k + 1]) : box.right);
      if (to < last[s]) continue; // on the same pixel as the one before
      const x = Math.max(from, last[s]), w = Math.max(1, to - x);
      ctx.fillStyle = colour.states[s];
      ctx.fillRect(x, lane.top, w, lane.height);
      last[s] = x + w;
    }
  }
  function gaps() {
    for (const [from, count] of t.gaps) {
      if (from + count < view.a || from > view.b) continue;
      let x1 = Math.max(box.left, px(from)), x2 = Math.min(box.right, px(from + count));
      if (x2 - x1 < 3) x2 = Math.min(box.right, x1 + 3);
      ctx.save();
      ctx.beginPath();
      ctx.rect(x1, box.panels[0].top, x2 - x1, box.panels.at(-1).bottom - box.panels[0].top);
      ctx.fillStyle = colour.sheet;
      ctx.fill();
      ctx.clip();
      ctx.strokeStyle = colour.soft;
      ctx.beginPath();
      for (let d = x1 - (box.panels.at(-1).bottom - box.panels[0].top); d < x2; d += 7) {
        ctx.moveTo(d, box.panels.at(-1).bottom);
        ctx.lineTo(d + box.panels.at(-1).bottom - box.panels[0].top, box.panels[0].top);
      }
      ctx.stroke();
      ctx.restore();
      const long = count * t.interval, words = "gap " + (long < 60 ? numberText(long, "s", 4) : timeText(long, 1));
      ctx.font = font(11);
      if (ctx.measureText(words).width + 10 < x2 - x1) text(words, (x1 + x2) / 2 - ctx.measureText(words).width / 2, box.panels[0].bottom - 12, "left", 11, colour.ink, true);
      else text("▾", (x1 + x2) / 2, box.panels[0].top + 5, "center", 12, colour.ink);
    }
  }
  function overview() {
    const { top, bottom } = box.over, whole = traceColumns(t, store, 0, t.n, Math.round(plotWidth)), k = Math.max(0, t.i), f = whole.signals[k];
    const scale = traceScale(f, view.log, t.signals[k].unit);
    ctx.fillStyle = colour.sheet;
    ctx.fillRect(box.left, top, plotWidth, bottom - top);
    ctx.fillStyle = colour.soft;
    const py = x => bottom - 2 - Math.max(0, Math.min(1, scale.place(x))) * (bottom - top - 4);
    for (let c = 0; c < f.lo.length; c++) {
      if (f.hi[c] === -Infinity) continue;
      ctx.globalAlpha = 0.4;
      ctx.fillRect(box.left + c, py(f.hi[c]), 1, Math.max(1, py(f.lo[c]) - py(f.hi[c])));
      ctx.globalAlpha = 1;
      const y = py(f.mean[c]), before = c > 0 && !isNaN(f.mean[c - 1]) ? py(f.mean[c - 1]) : y;
      ctx.fillRect(box.left + c, Math.min(y, before), 1, Math.max(1, Math.abs(y - before)));
    }
    const x = i => box.left + i / t.n * plotWidth, x1 = x(view.a), x2 = Math.max(x1 + 2, x(view.b));
    ctx.fillStyle = colour.ground;
    ctx.globalAlpha = 0.65;
    ctx.fillRect(box.left, top, x1 - box.left, bottom - top);
    ctx.fillRect(x2, top, box.right - x2, bottom - top);
    ctx.globalAlpha = 1;
    ctx.strokeStyle = colour.link;
    ctx.lineWidth = 1.5;
    ctx.strokeRect(x1, top, x2 - x1, bottom - top);
    ctx.lineWidth = 1;
    if (!box.small) text("whole trace", box.left - 7, (top + bottom) / 2, "right", 11, colour.soft);
  }
}

// spanAt is which span of the states a sample lies in; -1 before the first.
function spanAt(t, index) {
  let low = 0, high = t.spanFrom.length;
  while (low < high) {
    const mid = (low + high) >> 1;
    t.spanFrom[mid] <= index ? low = mid + 1 : high = mid;
  }
  return low - 1;
}
