// One job: while it runs, its curves as they grow, the last numbers with their uncertainty, verdicts, time, log; afterwards the way to its record.

import { h, fill } from "./dom.js";
import { state, watch, runOf, follow, active, over } from "./state.js";
import { Chart, curveOf } from "./chart.js";
import { stateChip, chip, progress, jobButtons, often } from "./jobs.js";
import { withU, plain, lasting, when, count } from "./format.js";

// texts are how points are told in pictures.
export function texts(columns) {
  const col = name => columns.find(c => c.name === name) || { unit: "1" };
  return {
    per: (c, v) => `${c.name} = ${plain(Number(v.toPrecision(6)), c.unit)}`,
    mark: (p, curve, line) => {
      const v = p.values, told = name => `${name}: ${withU(v[name].v, v[name].u, col(name).unit)}`;
      return [line, told(curve.x), told(curve.y), `point ${p.n}` + (p.status === "ok" ? "" : `, ${p.status}` + (p.why ? ": " + p.why : ""))].join("\n");
    },
  };
}

// curvesOf are the pictures that a sequence asks for, or one that suggests itself.
export function curvesOf(record) {
  if (record.curves.length) return record.curves.slice(0, 8);
  const x = record.columns.filter(c => c.kind === "coordinate").at(-1), y = record.columns.filter(c => c.kind === "derived").at(0) || record.columns.find(c => c.kind === "measured");
  return x && y ? [{ x: x.name, y: y.name, title: `${y.name} over ${x.name}`, per: (record.columns.filter(c => c.kind === "coordinate").at(-2) || {}).name }] : [];
}

// limitsOf are lines for the limits on a quantity that are plain numbers.
export function limitsOf(record, name) {
  const seen = new Map();
  for (const v of record.verdicts) if (v.limit.split(" ")[0] === name && v.bound !== null) seen.set(v.limit, v.bound);
  return [...seen].map(([text, at]) => ({ text, at }));
}

export function jobView(view, [id]) {
  const run = runOf(id), charts = new Map();
  const parts = { head: h("div", {}), curves: h("section", { class: "curves", "aria-label": "Curves" }), rest: h("div", {}) };
  view.append(h("div", { "data-keep": "" }, parts.head, parts.curves, parts.rest));
  let told = "", lastDrawn = "", drawnAt = 0;

  function draw() {
    const j = run.job;
    if (!j) {
      fill(parts.head, h("h1", {}, "Run"), h("p", {}, run.problem ? "It cannot be shown: " + run.problem + "." : "Loading…"));
      return;
    }
    document.title = `${active(j) ? j.points + "/" + j.planned + " " : ""}${j.title} – fourwire`;
    fill(parts.head,
      h("p", { class: "above" }, stateChip(j), " ", j.record && over(j) ? h("a", { href: "#/record/" + encodeURIComponent(j.record) }, "Record and report") : ""),
      h("h1", {}, j.title),
      h("p", { class: "remark" }, [j.device && "device " + j.device, j.sequence, j.settings && j.settings.join("; "), "by " + j.owner, "submitted " + when(j.submitted), j.priority ? "priority " + j.priority : "", j.every ? "every " + often(j.every) : "", over(j) && j.ended ? "ended " + when(j.ended) : ""].filter(Boolean).join(" · ")),
      active(j) ? progress(j) : over(j) ? h("p", {}, `${run.record ? run.record.points : j.points} of ${count(j.planned, "point")}.`) : h("p", {}, `${count(j.planned, "point")}, about ${lasting(j.predicted_s)}.`, j.at && j.state === "scheduled" ? ` Next ${when(j.at)}.` : ""),
      j.waits ? h("p", { class: "note" }, "Waits: " + j.waits + ".") : "",
      j.reason && over(j) ? h("p", { class: "note" }, j.reason + (j.hint ? ` (${j.hint})` : "") + ".") : "",
      h("p", { class: "inline" }, jobButtons(j, (text, now) => {
        told = text;
        draw();
        if (now && now.id !== id) location.hash = "#/job/" + now.id;
      }), h("span", { role: "status" }, told)));
    const r = run.record;
    if (r && r.columns.length) curves(j, r);
    fill(parts.rest, r ? [numbers(j, r), verdicts(j, r), time(j, r)] : "", log());
  }

  function curves(j, r) {
    const now = run.points.length + j.state;
    if (now === lastDrawn || active(j) && run.points.length > 1500 && Date.now() - drawnAt < 1000) return;
    [lastDrawn, drawnAt] = [now, Date.now()];
    curvesOf(r).forEach((curve, k) => {
      const title = curve.title || `${curve.y} over ${curve.x}`;
      if (!charts.has(k)) charts.set(k, new Chart(parts.curves, title));
      const what = curveOf(curve, r.columns, run.points, texts(r.columns));
      charts.get(k).draw({ ...what, title, limits: limitsOf(r, curve.y), empty: active(j) ? "The first point is on its way." : "No point has both values." });
    });
  }

  function numbers(j, r) {
    const p = run.points.at(-1);
    if (!p) return "";
    return h("section", { "data-key": "last" }, h("h2", {}, active(j) ? "Last numbers " : "Last point ", h("small", {}, `point ${p.n}, ${lasting(p.t_s)} after the start, U: k = 2`)),
      h("dl", { class: "facts" }, r.columns.map(c => p.values[c.name] ? h("div", {}, h("dt", {}, c.name, h("small", {}, " " + (c.node || c.expr || ""))), h("dd", { class: c.kind }, withU(p.values[c.name].v, p.values[c.name].u, c.unit))) : "")),
      h("p", { class: "remark" }, p.status === "ok" ? "" : h("strong", {}, p.status + (p.why ? ": " + p.why : "") + ". "), p.mode ? "Mode: " + p.mode.replaceAll("=", " ") : ""));
  }

  function verdicts(j, r) {
    const list = limits(r);
    if (!list.length) return "";
    return h("section", { "data-key": "verdicts" }, h("h2", {}, active(j) ? "Verdicts so far" : "Verdicts"), limitTable(list));
  }

  function time(j, r) {
    const ledger = r.ledger || [], last = run.points.at(-1), lines = [];
    const first = j.attempts && j.attempts.at(-1);
    if (active(j) && first) lines.push(["so far", lasting((Date.now() - new Date(first.started)) / 1000)]);
    if (active(j)) lines.push(["predicted in all", lasting(j.predicted_s)]);
    if (last && last.n > 1) lines.push(["per point, on average", lasting(last.t_s / last.n)]);
    return h("section", { "data-key": "time" }, h("h2", {}, "Time"), h("dl", { class: "facts" }, lines.map(([k, v]) => h("div", {}, h("dt", {}, k), h("dd", {}, v)))),
      ledger.length ? ledgerTable(ledger) : active(j) ? h("p", { class: "remark" }, "What it is spent on is told every few seconds.") : "");
  }

  function log() {
    if (!run.log.length) return "";
    return h("section", { "data-key": "log" }, h("h2", { id: "log-head" }, "Log"), h("ol", { class: "log", tabindex: "0", role: "log", "aria-live": "off", "aria-labelledby": "log-head" },
      run.log.slice(-100).reverse().map(l => h("li", { class: l.level }, h("small", {}, when(l.time)), " " + l.text))));
  }

  let end = watch(what => {
    if (!what.has("run") && !what.has("jobs") && !what.has("points")) return;
    const j = run.job, wait = !run.record || !run.record.columns.length ? 150 : run.rest || 1500;
    if (run.stale || j && j.record && run.of !== j.record) follow(run);
    else if (j && active(j) && Date.now() - run.asked > wait) follow(run); // verdicts come with the record
    else if (j && over(j) && run.was !== j.state) {
      run.was = j.state;
      follow(run);
    }
    draw();
  });
  run.stale = true;
  draw();
  follow(run);
  const tick = setInterval(() => run.job && active(run.job) && draw(), 1000);
  return { end() {
    end();
    clearInterval(tick);
    for (const c of charts.values()) c.end();
  } };
}

const share = part => part < 0.001 ? "below 0.1 %" : Number((100 * part).toPrecision(2)) + " %";

// limits gathers the verdicts of a record by limit, with the closest of each.
export function limits(r) {
  const all = new Map(), grave = { fail: 3, undecided: 2, "not judged": 1, pass: 0 };
  for (const v of r.verdicts) {
    const key = v.limit + "|" + (v.clause || "");
    if (!all.has(key)) all.set(key, { limit: v.limit, clause: v.clause, outcome: v.outcome, n: 0, not: 0, closest: null });
    const l = all.get(key);
    l.n++;
    if (v.outcome !== "pass") l.not++;
    if (grave[v.outcome] > grave[l.outcome]) l.outcome = v.outcome;
    const margin = v.value === null || v.bound === null ? Infinity : (v.limit.includes("<") ? v.bound - v.value : v.value - v.bound);
    if (!l.closest || margin < l.closest.margin) l.closest = { ...v, margin };
  }
  return [...all.values()];
}

export function limitTable(list) {
  return h("table", { class: "folding" }, h("thead", {}, h("tr", {}, ["Limit", "Clause", "Outcome", "Closest value", "Compared"].map(t => h("th", { scope: "col" }, t)))),
    h("tbody", {}, list.map(l => h("tr", { "data-key": l.limit + l.clause }, h("th", { scope: "row" }, h("code", {}, l.limit)), h("td", { "data-label": "Clause" }, l.clause || ""), h("td", { "data-label": "Outcome" }, chip(l.outcome)),
      h("td", { "data-label": "Closest value" }, l.closest && l.closest.value !== null ? withU(l.closest.value, l.closest.u, l.closest.unit) + (l.closest.point ? ` at point ${l.closest.point}` : "") : l.closest && l.closest.why || ""),
      h("td", { "data-label": "Compared" }, count(l.n, "time") + (l.not ? `, ${l.not} not passed` : ""))))));
}

export function ledgerTable(ledger) {
  const whole = ledger.reduce((sum, l) => sum + l.s, 0);
  return h("table", { class: "ledger" }, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Spent on"), h("th", { scope: "col", class: "number" }, "Time"), h("th", { scope: "col", class: "number" }, "Share"))),
    h("tbody", {}, ledger.map(l => h("tr", {}, h("th", { scope: "row" }, l.kind), h("td", { class: "number" }, lasting(l.s)), h("td", { class: "number" }, share(l.s / whole))))));
}
