// Pictures of curves: lines that differ in colour, dashes and marks, with U as bars or as a band, and values that can be looked up by mouse,
// finger or keys.

import { h, s, fill } from "./dom.js";
import { axis } from "./axis.js";

const dashes = ["", "8 4", "2 3", "10 3 2 3", "5 3", "14 4"];
const marks = {
  circle: "M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0z", square: "M-3.6-3.6h7.2v7.2h-7.2z", triangle: "M0-4.6L4.4 3.4H-4.4z", diamond: "M0-5L4.4 0L0 5L-4.4 0z",
  cross: "M-4-4L4 4M-4 4L4-4", star: "M0-5V5M-4.3-2.5L4.3 2.5M-4.3 2.5L4.3-2.5",
};
const forms = Object.keys(marks);
const mostMarks = 80; // of a line; above it there is a band and no marks

// Chart draws into a place. what for draw: {title, x: {name, unit, log}, y: {…}, lines: [{name, marks: [{x, y, u, text, key, doubt}]}], limits: [{at, text}]}
export class Chart {
  constructor(place, title, choose) {
    this.choose = choose;
    this.off = new Set();
    this.at = null; // line name and key of the mark that is looked at
    this.legend = h("ul", { class: "legend" });
    this.picture = h("div", { class: "picture" });
    this.tip = h("div", { class: "tip", hidden: true });
    this.read = h("p", { class: "read", role: "status" });
    this.plot = h("div", { class: "plot", tabindex: "0", role: "group", "aria-label": title + ": picture. Left and right arrow keys go from point to point, up and down from line to line" }, this.picture, this.tip);
    place.append(h("figure", { "data-keep": "" }, h("h2", { class: "chart-title" }, title), this.legend, this.plot, this.read, this.note = h("figcaption", {})));
    this.plot.addEventListener("pointermove", e => this.show(this.nearest(e), false));
    this.plot.addEventListener("pointerdown", e => this.show(this.nearest(e), false));
    this.plot.addEventListener("pointerleave", e => e.pointerType === "mouse" && this.hide());
    this.plot.addEventListener("blur", () => this.hide());
    this.plot.addEventListener("keydown", e => this.key(e));
    this.seen = new ResizeObserver(() => this.what && this.picture.clientWidth !== this.width && this.draw(this.what));
    this.seen.observe(this.picture);
  }
  end() {
    this.seen.disconnect();
  }

  draw(what) {
    this.what = what;
    const width = this.width = this.picture.clientWidth || 640, height = Math.round(Math.max(230, Math.min(400, width * 0.5)));
    const lines = what.lines.filter(l => !this.off.has(l.name)), all = lines.flatMap(l => l.marks).filter(m => isFinite(m.x) && isFinite(m.y));
    fill(this.legend, what.lines.length > 1 ? what.lines.map((l, k) => h("li", { "data-key": l.name }, h("label", {}, h("input", { type: "checkbox", checked: !this.off.has(l.name), onchange: e => {
      e.target.checked ? this.off.delete(l.name) : this.off.add(l.name);
      this.draw(this.what);
    } }), s("svg", { width: 34, height: 14, viewBox: "0 0 34 14", "aria-hidden": "true" }, s("path", { d: "M1 7H33", class: "stroke-" + (k % 6 + 1), "stroke-dasharray": dashes[k % 6] }), s("path", { d: marks[forms[k % 6]], transform: "translate(17 7)", class: "mark-" + (k % 6 + 1) })), l.name))) : []);
    if (!all.length) {
      fill(this.picture, h("p", { class: "empty" }, what.empty || "Nothing to draw yet."));
      this.drawn = [];
      fill(this.note, what.note || "");
      return;
    }
    const within = this.span(what, all), left = 58, right = width - 12, top = 30, bottom = height - 44;
    const x = what.x.dates ? dateAxis(...within.x, what.x) : axis(...within.x, what.x.log, what.x.name, what.x.unit, Math.max(2, (right - left) / 95));
    const y = axis(...within.y, what.y.log, what.y.name, what.y.unit, Math.max(3, (bottom - top) / 36));
    const px = v => left + x.place(v) * (right - left), py = v => bottom - y.place(v) * (bottom - top), f = n => n.toFixed(1);
    const grid = s("g", { class: "grid" }), labels = s("g", { class: "labels" }), data = s("g", { "clip-path": "url(#" + (this.clip ||= "clip-" + Chart.count++) + ")" });
    for (const t of x.ticks) {
      grid.append(s("path", { d: `M${f(px(t.at))} ${top}V${bottom}`, class: t.label ? "" : "faint" }));
      if (t.label) labels.append(s("text", { x: f(px(t.at)), y: bottom + 17, "text-anchor": "middle" }, t.label));
    }
    for (const t of y.ticks) {
      grid.append(s("path", { d: `M${left} ${f(py(t.at))}H${right}`, class: t.label ? "" : "faint" }));
      if (t.label) labels.append(s("text", { x: left - 7, y: f(py(t.at) + 4), "text-anchor": "end" }, t.label));
    }
    grid.append(s("path", { d: `M${left} ${top}V${bottom}H${right}`, class: "frame" }));
    labels.append(s("text", { class: "name", x: right, y: bottom + 36, "text-anchor": "end" }, x.label), s("text", { class: "name", x: left - 4, y: top - 12, "text-anchor": "start" }, y.label));
    for (const l of what.limits || []) {
      if (!(y.place(l.at) >= 0 && y.place(l.at) <= 1)) continue;
      data.append(s("path", { class: "limit", d: `M${left} ${f(py(l.at))}H${right}` }));
      labels.append(s("text", { class: "limit-name", x: right - 4, y: f(py(l.at) - 5), "text-anchor": "end" }, l.text));
    }
    this.drawn = [];
    let banded = false, barred = false, doubted = false;
    what.lines.forEach((l, k) => {
      if (this.off.has(l.name)) return;
      const n = k % 6 + 1, good = l.marks.filter(m => isFinite(m.x) && isFinite(m.y) && (!x.log || m.x > 0) && (!y.log || m.y > 0)), many = good.length > mostMarks, group = s("g", { class: "line", "data-line": l.name });
      const sound = l.bare ? [] : good.filter(m => !m.doubt);
      if (many && sound.some(m => m.u > 0)) {
        banded = true;
        group.append(s("path", { class: "band fill-" + n, d: "M" + sound.map(m => `${f(px(m.x))} ${f(py(m.y + (m.u || 0)))}`).join("L") + "L" + [...sound].reverse().map(m => `${f(px(m.x))} ${f(py(y.log ? Math.max(m.y - (m.u || 0), y.low) : m.y - (m.u || 0)))}`).join("L") + "Z" }));
      }
      if (sound.length > 1) group.append(s("path", { class: "stroke-" + n, "stroke-dasharray": dashes[k % 6], d: "M" + sound.map(m => `${f(px(m.x))} ${f(py(m.y))}`).join("L") }));
      for (const m of good) {
        const at = { line: l.name, key: m.key, text: m.text, x: px(m.x), y: Math.max(top, Math.min(bottom, py(m.y))), record: m };
        this.drawn.push(at);
        if (many && !m.doubt) continue;
        if (m.u > 0) {
          const a = py(m.y + m.u), b = py(y.log ? Math.max(m.y - m.u, y.low) : m.y - m.u);
          if (b - a > 6) {
            barred = true;
            group.append(s("path", { class: "bar stroke-" + n, d: `M${f(at.x)} ${f(a)}V${f(b)}M${f(at.x - 3)} ${f(a)}h6M${f(at.x - 3)} ${f(b)}h6` }));
          }
        }
        doubted ||= m.doubt;
        group.append(s("path", { class: "mark " + (m.doubt ? "doubt" : "mark-" + n), "data-point": m.key, d: m.doubt ? "M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0zM-3-3L3 3M-3 3L3-3" : marks[forms[k % 6]], transform: `translate(${f(at.x)} ${f(at.y)})` }));
      }
      data.append(group);
    });
    this.ring = s("circle", { class: "ring", r: 8, display: "none" });
    fill(this.picture, s("svg", { "data-keep": "", "data-key": String(Chart.count++), class: "chart", viewBox: `0 0 ${width} ${height}`, width, height, role: "img", "aria-label": `${what.title}: ${what.lines.map(l => `${l.name}, ${l.marks.length} points`).join("; ")}` },
      s("clipPath", { id: this.clip }, s("rect", { x: left - 6, y: top - 6, width: right - left + 12, height: bottom - top + 12 })), grid, labels, data, this.ring));
    fill(this.note, [what.note, barred ? "Bars: U, k = 2, where longer than the mark." : "", banded ? "Bands: value ± U, k = 2." : "", doubted ? "⊗: invalid or not settled, not part of the line." : ""].filter(Boolean).join(" "));
    if (this.at) {
      const again = this.drawn.find(d => d.line === this.at.line && d.key === this.at.key);
      if (again && !this.tip.hidden) this.show(again, false);
    }
  }

  span(what, all) {
    const lows = all.map(m => m.y - (m.doubt ? 0 : m.u || 0)), highs = all.map(m => m.y + (m.doubt ? 0 : m.u || 0)), least = a => a.reduce((p, q) => Math.min(p, q)), most = a => a.reduce((p, q) => Math.max(p, q));
    let y = what.y.log ? [least(all.map(m => m.y).filter(v => v > 0).concat(most(highs))), most(highs)] : [least(lows), most(highs)];
    for (const l of what.limits || []) if (l.at > y[0] - (y[1] - y[0]) * 0.6 && l.at < y[1] + (y[1] - y[0]) * 0.6) y = [Math.min(y[0], l.at), Math.max(y[1], l.at)];
    const xs = all.map(m => m.x).filter(v => !what.x.log || v > 0);
    const x = what.x.span && what.x.span[0] < what.x.span[1] ? what.x.span : xs.length ? [least(xs), most(xs)] : [0, 1];
    return { x: [Math.min(x[0], ...(xs.length ? [least(xs)] : [])), Math.max(x[1], ...(xs.length ? [most(xs)] : []))], y };
  }

  nearest(e) {
    const box = this.picture.getBoundingClientRect(), x = e.clientX - box.left, y = e.clientY - box.top;
    let best = null, near = 40 * 40;
    for (const d of this.drawn || []) {
      const far = (d.x - x) ** 2 + (d.y - y) ** 2;
      if (far < near) [best, near] = [d, far];
    }
    return best;
  }
  show(d, aloud) {
    if (!d) return this.hide();
    this.at = { line: d.line, key: d.key };
    this.ring.setAttribute("cx", d.x);
    this.ring.setAttribute("cy", d.y);
    this.ring.removeAttribute("display");
    this.tip.textContent = d.text;
    this.tip.hidden = false;
    const w = this.tip.offsetWidth, tall = this.tip.offsetHeight, left = d.x + 14 + w > this.width ? d.x - 14 - w : d.x + 14;
    this.tip.style.left = Math.max(0, left) + "px";
    this.tip.style.top = Math.max(0, Math.min(d.y - tall / 2, this.picture.clientHeight - tall)) + "px";
    if (aloud) this.read.textContent = d.text.replaceAll("\n", ", ");
  }
  hide() {
    this.tip.hidden = true;
    if (this.ring) this.ring.setAttribute("display", "none");
  }
  key(e) {
    const names = [...new Set((this.drawn || []).map(d => d.line))];
    if (!names.length || e.ctrlKey || e.metaKey || e.altKey) return;
    if (e.key === "Escape") return this.hide();
    const step = { ArrowRight: [0, 1], ArrowLeft: [0, -1], ArrowDown: [1, 0], ArrowUp: [-1, 0], Home: [0, -1e9], End: [0, 1e9] }[e.key];
    if (e.key === "Enter" && this.at && this.choose) return this.choose(this.at.key);
    if (!step) return;
    e.preventDefault();
    const line = (Math.max(0, names.indexOf(this.at ? this.at.line : names[0])) + step[0] + names.length) % names.length;
    const own = this.drawn.filter(d => d.line === names[line]), now = this.at ? this.position(own) : -1;
    this.place = Math.max(0, Math.min(own.length - 1, now + step[1]));
    this.show(own[this.place], true);
  }
  // position is where in a line the mark that is looked at is, or the one across from it.
  position(own) {
    const k = own.findIndex(d => d.line === this.at.line && d.key === this.at.key);
    if (k >= 0) return k;
    return Math.min(this.place ?? 0, own.length - 1);
  }
}
Chart.count = 1;

// dateAxis spans seconds since 1970, with some room at both ends.
function dateAxis(low, high, x) {
  const room = (high - low) * 0.04 || 1;
  [low, high] = [low - room, high + room];
  return { low, high, label: x.name, ticks: x.dates(low, high), place: v => (v - low) / (high - low) };
}

// curveOf makes what is drawn of the points of a run for a curve of its sequence.
export function curveOf(curve, columns, points, text) {
  const col = name => columns.find(c => c.name === name) || { name, unit: "1" }, lines = new Map();
  const value = (p, name) => p.values[name] && p.values[name].v !== null ? p.values[name].v : NaN;
  for (const p of points) {
    const x = value(p, curve.x), y = value(p, curve.y);
    if (!isFinite(x) || !isFinite(y)) continue;
    const name = curve.per ? text.per(col(curve.per), value(p, curve.per)) : p.part || curve.y;
    if (!lines.has(name)) lines.set(name, { name, marks: [] });
    lines.get(name).marks.push({ x, y, u: p.values[curve.y].u || 0, key: p.n, doubt: p.status !== "ok", text: text.mark(p, curve, name) });
  }
  for (const l of lines.values()) if (curve.x !== "point") l.marks.sort((a, b) => a.x - b.x);
  return { x: { name: curve.x, unit: col(curve.x).unit, log: curve.log_x }, y: { name: curve.y, unit: col(curve.y).unit, log: curve.log_y }, lines: [...lines.values()] };
}
