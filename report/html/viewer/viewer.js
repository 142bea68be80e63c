// Makes a trace something to look into: zoom, pan, two cursors with what lies between them. Without it the page has a still picture.
function traceViewer(figure, t) {
  t.spanFrom = new Float64Array(t.spans.length / 2);
  t.spanState = new Int16Array(t.spans.length / 2);
  for (let i = 0, at = 0; i < t.spans.length; i += 2) {
    at += t.spans[i];
    t.spanFrom[i / 2] = at;
    t.spanState[i / 2] = t.spans[i + 1];
  }
  const root = figure.querySelector(".viewer"), least = Math.min(t.n, 8);
  const view = { a: 0, b: t.n, log: t.i >= 0 }, marks = { lines: t.lines.length > 0 };
  const cursors = [{ name: "A", at: 0 }, { name: "B", at: t.n }];
  let shown = null, due = false, wheelOn = false, event = -1;
  const store = traceStore(t, () => draw());

  const make = (kind, style, words) => {
    const e = document.createElement(kind);
    if (style) e.className = style;
    if (words) e.textContent = words;
    return e;
  };
  const bar = make("div", "tools"), stage = make("div", "stage"), canvas = make("canvas"), readout = make("dl", "readout"), note = make("p", "remark depth"), aloud = make("p", "read");
  bar.setAttribute("role", "toolbar");
  bar.setAttribute("aria-label", "Trace " + t.name);
  aloud.setAttribute("aria-live", "polite");
  canvas.setAttribute("role", "img");
  stage.tabIndex = 0;
  stage.setAttribute("role", "group");
  stage.setAttribute("aria-label", `Trace ${t.name}. Plus and minus zoom, left and right arrows pan, Home shows all, A and B put a cursor into the middle, N and P go to the next and the previous event, L changes the axis`);
  stage.append(canvas);
  const hint = make("div", "hint", "Click first, or hold Ctrl: then the wheel zooms");
  hint.hidden = true;
  stage.append(hint);
  root.append(bar, stage, aloud, readout, note);

  function button(words, label, press, group) {
    const b = make("button", "", words);
    b.type = "button";
    b.title = label;
    b.setAttribute("aria-label", label);
    b.addEventListener("click", press);
    group.append(b);
    return b;
  }
  const group = () => bar.appendChild(make("span"));
  let g = group();
  button("+", "Zoom in (+)", () => zoom(0.25), g);
  button("−", "Zoom out (−)", () => zoom(4), g);
  button("All", "Show the whole trace (Home)", () => show(0, t.n), g);
  g = group();
  button("◀", "Pan left (left arrow)", () => pan(-0.25), g);
  button("▶", "Pan right (right arrow)", () => pan(0.25), g);
  if (t.events.length) {
    g = group();
    button("◀ event", "Previous event (P)", () => toEvent(-1), g);
    button("event ▶", "Next event (N)", () => toEvent(1), g);
  }
  g = group();
  for (const c of cursors) button(c.name, `Put cursor ${c.name} here (${c.name})`, () => put(c), g).classList.add("cursor-" + c.name.toLowerCase());
  button("A…B", "Zoom to what lies between the cursors (Z)", () => toCursors(), g);
  g = group();
  const axis = button("", "", () => {
    view.log = !view.log;
    draw();
  }, g);
  if (t.lines.length) {
    const box = make("label"), tick = make("input");
    tick.type = "checkbox";
    tick.checked = true;
    tick.addEventListener("change", () => {
      marks.lines = tick.checked;
      draw();
    });
    box.append(tick, " thresholds");
    group().append(box);
  }

  const handles = cursors.map(c => {
    const h = make("button", "handle cursor-" + c.name.toLowerCase());
    h.type = "button";
    h.append(make("span", "", c.name));
    h.setAttribute("role", "slider");
    h.setAttribute("aria-label", "Cursor " + c.name);
    h.setAttribute("aria-valuemin", "0");
    h.setAttribute("aria-valuemax", String(t.n));
    h.addEventListener("keydown", e => {
      const step = { ArrowLeft: -1, ArrowRight: 1, PageDown: -20, PageUp: 20 }[e.key];
      if (!step) return;
      e.preventDefault();
      e.stopPropagation();
      const per = (view.b - view.a) / (shown.box.right - shown.box.left), fine = stepAt(c.at, step), size = Math.max(fine, e.shiftKey ? fine : Math.round(per / fine) * fine);
      moveCursor(c, c.at + step * size);
      say();
    });
    h.addEventListener("pointerdown", e => {
      e.stopPropagation();
      h.setPointerCapture(e.pointerId);
      h.dragged = true;
    });
    h.addEventListener("pointermove", e => {
      if (h.dragged) moveCursor(c, shown.at(e.clientX - canvas.getBoundingClientRect().left));
    });
    for (const end of ["pointerup", "pointercancel"]) h.addEventListener(end, () => h.dragged = false);
    stage.append(h);
    return h;
  });

  // how far a cursor can be moved at least, in samples
  function stepAt(at, direction) {
    for (let level = 0; level <= store.top; level++) {
      const span = store.levels[level].s * store.levels[level].slots, x = at + (direction < 0 ? -0.5 : 0.5);
      if (level === store.top || store.present(level, Math.max(0, Math.floor(Math.min(x, t.n - 1) / span)))) return store.levels[level].s;
    }
  }
  function moveCursor(c, to) {
    c.at = traceSnap(t, store, to);
    draw();
  }
  function put(c) {
    moveCursor(c, (view.a + view.b) / 2);
    say();
  }
  function show(a, b) {
    const span = Math.max(least, Math.min(t.n, b - a));
    let from = (a + b - span) / 2;
    from = Math.max(0, Math.min(t.n - span, from));
    view.a = from;
    view.b = from + span;
    draw();
  }
  function zoom(factor, at) {
    if (at === undefined) at = (view.a + view.b) / 2;
    const span = Math.max(least, Math.min(t.n, (view.b - view.a) * factor)), k = (at - view.a) / (view.b - view.a);
    show(at - k * span, at + (1 - k) * span);
  }
  const pan = part => show(view.a + part * (view.b - view.a), view.b + part * (view.b - view.a));
  function toCursors() {
    const [a, b] = cursors.map(c => c.at).sort((x, y) => x - y), room = Math.max(1, (b - a) * 0.04);
    show(a - room, b + room);
  }
  function toEvent(step) {
    const count = t.events.length / 2, middle = view.b - view.a >= t.n ? -1 : (view.a + view.b) / 2, start = k => t.events[2 * k], length = k => t.events[2 * k + 1];
    let k = event >= 0 && start(event) >= view.a && start(event) <= view.b ? event + step : -1;
    if (k < 0 || k >= count) {
      k = 0;
      while (k < count - 1 && start(k) <= middle) k++;
      if (step < 0) k = Math.max(0, k - 1);
    }
    event = Math.max(0, Math.min(count - 1, k));
    const room = Math.max(4, length(event) * 0.3);
    cursors[0].at = traceSnap(t, store, start(event));
    cursors[1].at = traceSnap(t, store, start(event) + length(event));
    show(start(event) - room, start(event) + length(event) + room);
    say(`Event ${event + 1} of ${count}. `);
  }

  stage.addEventListener("wheel", e => {
    if (!wheelOn && !e.ctrlKey) {
      hint.hidden = false;
      clearTimeout(hint.timer);
      hint.timer = setTimeout(() => hint.hidden = true, 1500);
      return;
    }
    e.preventDefault();
    const size = e.deltaMode === 1 ? 30 : e.deltaMode === 2 ? 300 : 1;
    if (e.shiftKey || Math.abs(e.deltaX) > Math.abs(e.deltaY)) return pan((e.deltaX || e.deltaY) * size / 1200);
    zoom(Math.exp(Math.max(-300, Math.min(300, e.deltaY * size)) * 0.004), shown.at(e.clientX - canvas.getBoundingClientRect().left));
  }, { passive: false });
  stage.addEventListener("focus", () => {
    wheelOn = true;
    hint.hidden = true;
  });
  stage.addEventListener("blur", () => wheelOn = false);

  const fingers = new Map();
  let drag = null;
  canvas.addEventListener("pointerdown", e => {
    if (e.pointerType === "mouse" && e.button !== 0) return;
    stage.focus({ preventScroll: true });
    hint.hidden = true;
    canvas.setPointerCapture(e.pointerId);
    fingers.set(e.pointerId, e);
    const frame = canvas.getBoundingClientRect(), y = e.clientY - frame.top;
    drag = { x: e.clientX, a: view.a, b: view.b, over: y > shown.box.over.top - 6 };
    if (drag.over) centre(e);
    if (fingers.size === 2) drag.pinch = fingersNow();
  });
  function centre(e) {
    const frame = canvas.getBoundingClientRect(), box = shown.box, at = (e.clientX - frame.left - box.left) / (box.right - box.left) * t.n, half = (view.b - view.a) / 2;
    show(at - half, at + half);
  }
  function fingersNow() {
    const [p, q] = [...fingers.values()], left = canvas.getBoundingClientRect().left;
    return { at: shown.at((p.clientX + q.clientX) / 2 - left), far: Math.max(20, Math.hypot(p.clientX - q.clientX, p.clientY - q.clientY)), span: view.b - view.a };
  }
  canvas.addEventListener("pointermove", e => {
    if (!fingers.has(e.pointerId)) return hover(e);
    fingers.set(e.pointerId, e);
    if (fingers.size === 2 && drag.pinch) {
      const [p, q] = [...fingers.values()], far = Math.max(20, Math.hypot(p.clientX - q.clientX, p.clientY - q.clientY));
      const span = Math.max(least, Math.min(t.n, drag.pinch.span * drag.pinch.far / far));
      const k = ((p.clientX + q.clientX) / 2 - canvas.getBoundingClientRect().left - shown.box.left) / (shown.box.right - shown.box.left);
      show(drag.pinch.at - k * span, drag.pinch.at + (1 - k) * span);
    } else if (drag.over) centre(e);
    else {
      const by = (drag.x - e.clientX) / (shown.box.right - shown.box.left) * (drag.b - drag.a);
      show(drag.a + by, drag.b + by);
    }
  });
  for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, e => {
    fingers.delete(e.pointerId);
    if (drag) drag = { x: [...fingers.values()][0]?.clientX, a: view.a, b: view.b };
  });
  canvas.addEventListener("dblclick", e => zoom(0.25, shown.at(e.clientX - canvas.getBoundingClientRect().left)));
  let pointer = null;
  function hover(e) {
    const frame = canvas.getBoundingClientRect(), x = e.clientX - frame.left;
    pointer = x >= shown.box.left && x <= shown.box.right && e.clientY - frame.top < shown.box.axis ? x : null;
    tell();
  }
  canvas.addEventListener("pointerleave", () => {
    pointer = null;
    tell();
  });
  stage.addEventListener("keydown", e => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const far = e.shiftKey && e.key.startsWith("Arrow") ? 0.8 : 0.2;
    const act = { "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), "−": () => zoom(2), ArrowUp: () => zoom(0.5), ArrowDown: () => zoom(2),
      ArrowLeft: () => pan(-far), ArrowRight: () => pan(far), Home: () => show(0, t.n), a: () => put(cursors[0]), b: () => put(cursors[1]), z: toCursors,
      n: () => t.events.length && toEvent(1), p: () => t.events.length && toEvent(-1), l: () => axis.click(), Escape: () => stage.blur() }[e.key.length === 1 ? e.key.toLowerCase() : e.key];
    if (!act) return;
    e.preventDefault();
    act();
    say();
  });

  const place = at => timeText(at * t.interval, t.interval);
  const facts = {};
  for (const [key, name] of [["a", "Cursor A"], ["b", "Cursor B"], ["time", "Between"], ["charge", t.i >= 0 ? "Charge" : "Integral"], ["mean", "Mean"], ["energy", "Energy"], ["range", "Least to most"], ["samples", "Samples"]]) {
    if (key === "energy" && !t.cross) continue;
    const div = make("div"), dd = make("dd");
    dd.dataset.value = key;
    div.append(make("dt", "", name), dd);
    readout.append(div);
    facts[key] = dd;
  }
  const command = make("p", "remark command");
  command.append("The same, exactly: ", make("code"));
  root.append(command);

  const seconds = x => Number((x * t.interval).toPrecision(15)) + "s";
  const zoomCommand = (a, b) => `fourwire zoom ${t.record} ${t.name} --from ${seconds(a)} --to ${seconds(b)}`;
  function between() {
    const [a, b] = cursors.map(c => c.at).sort((x, y) => x - y), k = Math.max(0, t.i), s = t.signals[k], sum = store.sum ? store.sum(a, b) : traceSum(t, store, a, b);
    const unit = s.unit === "A" ? "C" : s.unit + "·s", wait = sum.waiting ? "…" : null, none = sum.count ? null : "–";
    const set = (key, words) => {
      if (facts[key] && facts[key].textContent !== words) facts[key].textContent = words;
    };
    set("a", place(cursors[0].at));
    set("b", place(cursors[1].at));
    set("time", place(b - a));
    set("charge", wait || none || numberText(sum.sums[k] * s.base * t.interval, unit));
    set("mean", wait || none || numberText(sum.sums[k] * s.base / sum.count, s.unit));
    set("energy", wait || none || numberText(sum.cross * t.interval, "J"));
    set("range", wait || none || `${numberText(sum.min[k], s.unit, 4)} to ${numberText(sum.max[k], s.unit, 4)}`);
    set("samples", wait || sum.count.toLocaleString("en").replaceAll(",", "\u202f") + (sum.count < b - a ? `, ${(b - a - sum.count).toLocaleString("en").replaceAll(",", "\u202f")} missing` : ""));
      command.lastChild.textContent = `fourwire zoom ${t.record} ${t.name} --from ${seconds(a)} --to ${seconds(b)}`;
    return sum;
  }
  function depth() {
    const s = store.levels[shown.used].s, per = (view.b - view.a) / (shown.box.right - shown.box.left);
    let words = s === 1 ? "Every sample of what is shown is here." : `One bin is ${timeText(s * t.interval, t.interval)}.`;
    if (store.state.failed) words = store.state.why || `Finer views are missing: keep the folder "report" beside this page.`;
    else if (store.state.packed) words += " This browser is too old to unpack finer views.";
    else if (store.state.waiting) words += " Loading…";
    else if (shown.used > shown.want && s > 1.5 * per) words += t.whole ? "" : ` Beyond this depth: ${zoomCommand(Math.floor(view.a), Math.ceil(view.b))} --raw; the page keeps single samples ${t.events.length ? "around events" : "where the current swings most"} only.`;
    if (note.textContent !== words) note.textContent = words;
  }
  function tell() {
    if (!shown || !facts) return;
    if (pointer === null) {
      canvas.title = "";
      tip.hidden = true;
      return;
    }
    const c = Math.max(0, Math.min(shown.signals[0].lo.length - 1, Math.floor((pointer - shown.box.left) / (shown.box.right - shown.box.left) * shown.signals[0].lo.length)));
    const lines = [place(Math.floor(shown.at(pointer)))], state = spanAt(t, shown.at(pointer));
    t.signals.forEach((s, k) => {
      const f = shown.signals[k];
      if (f.hi[c] === -Infinity) return lines.push(`${s.name}: nothing recorded`);
      lines.push(`${s.name}: ${numberText(f.mean[c], s.unit, 4)}` + (f.hi[c] > f.lo[c] ? ` (${numberText(f.lo[c], s.unit, 3)} to ${numberText(f.hi[c], s.unit, 3)})` : ""));
    });
    if (state >= 0 && t.states[t.spanState[state]]) lines.push(t.states[t.spanState[state]]);
    tip.textContent = lines.join("\n");
    tip.hidden = false;
    tip.style.left = (pointer + 14 + tip.offsetWidth > shown.box.width ? pointer - 14 - tip.offsetWidth : pointer + 14) + "px";
  }
  const tip = make("div", "tip");
  tip.hidden = true;
  tip.style.top = "34px";
  stage.append(tip);

  function say(first) {
    clearTimeout(aloud.timer);
    aloud.timer = setTimeout(() => {
      const f = key => facts[key] ? facts[key].textContent : "";
      aloud.textContent = `${first || ""}Shown: ${place(view.a)} to ${place(view.b)}. Between the cursors ${f("time")}, ${f("charge")}, mean ${f("mean")}.`;
    }, 400);
  }
  function draw() {
    if (due) return;
    due = true;
    requestAnimationFrame(() => {
      due = false;
      if (!canvas.clientWidth) return;
      shown = traceDraw(canvas, t, store, view, marks);
      const sum = between();
      handles.forEach((h, k) => {
        const x = shown.px(cursors[k].at), inside = x >= shown.box.left - 1 && x <= shown.box.right + 1;
        h.style.left = Math.max(shown.box.left, Math.min(shown.box.right, x)) + "px";
        h.style.height = shown.box.axis - 2 + "px";
        h.classList.toggle("outside", !inside);
        h.setAttribute("aria-valuenow", String(cursors[k].at));
        h.setAttribute("aria-valuetext", place(cursors[k].at));
      });
      depth();
      tell();
      axis.textContent = view.log ? "log" : "linear";
      axis.setAttribute("aria-label", `The axis is ${view.log ? "logarithmic" : "linear"}: change it (L)`);
      axis.title = axis.getAttribute("aria-label");
      const k = Math.max(0, t.i);
      canvas.setAttribute("aria-label", `Trace ${t.name} from ${place(view.a)} to ${place(view.b)}`);
      Object.assign(root.dataset, { from: view.a, to: view.b, samples: store.levels[shown.used].s, waiting: store.state.waiting || sum.waiting ? 1 : 0, charge: sum.sums[k] * t.signals[k].base * t.interval });
    });
  }
  new ResizeObserver(() => draw()).observe(canvas);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  root.hidden = false;
  figure.classList.add("seen");
  draw();
}
