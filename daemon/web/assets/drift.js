// One quantity at one point over weeks: its value in each record with U, and how far it has gone from the first, where what all share drops out.

import { h, fill } from "./dom.js";
import { get, post, words, recordPath } from "./api.js";
import { Chart } from "./chart.js";
import { similar, verdictOf } from "./compare.js";
import { withU, signed, plain, when, date, count } from "./format.js";

const together = 19; // records are compared with the first in lots of so many

export function driftView(view, [list]) {
  const ids = (list || "").split(",").filter(Boolean), charts = [];
  let gone = false, all = [], first = null, units = new Map(), column = "", where = "";
  const head = h("div", {}), value = h("section", { "aria-label": "Value", "data-keep": "" }), change = h("section", { "aria-label": "Change", "data-keep": "" }), table = h("div", {});
  fill(view, h("h1", {}, "Over time"), head, value, change, table);
  fill(head, h("p", {}, "Loading…"));

  (async () => {
    try {
      const r = await get(recordPath(ids[0]));
      let briefs = ids.length > 1 ? (await Promise.all(ids.map(id => get(recordPath(id))))) : await similar(r);
      if (ids.length === 1) briefs = briefs.filter(x => sameSettings(x, r) && x.bench === r.bench && (x.device || "") === (r.device || ""));
      briefs.sort((a, b) => new Date(a.filed) - new Date(b.filed));
      if (gone) return;
      if (briefs.length < 2) return fill(head, h("p", {}, "There is only one finished record of this sequence with these settings " + (r.device ? `of device ${r.device} ` : "") + "on this bench. ", h("a", { href: "#/history" }, "Pick others in the history"), "."));
      first = briefs[0];
      for (const c of (await get(recordPath(first.id))).columns) units.set(c.name, c.unit);
      const compared = [];
      for (let i = 1; i < briefs.length; i += together) compared.push(...(await post("/api/compare", { records: [first.id, ...briefs.slice(i, i + together).map(b => b.id)] })).compared);
      if (gone) return;
      all = { briefs, compared };
      column = (compared.find(c => c.better) || compared.find(c => c.column.kind === "derived") || compared[0]).column.name;
      draw();
    } catch (e) {
      if (!gone) fill(head, h("p", { class: "wrong", role: "alert" }, words(e)), h("p", {}, h("a", { href: "#/history" }, "Pick others in the history")));
    }
  })();

  const sameSettings = (a, b) => JSON.stringify(a.settings || []) === JSON.stringify(b.settings || []);
  const keyOf = p => (p.part || "") + Object.keys(p.at).sort().map(n => ` ${n} = ${plain(Number(p.at[n].toPrecision(6)), units.get(n) || "1")}`).join(",");

  function draw() {
    const names = [...new Set(all.compared.map(c => c.column.name))], of = all.compared.filter(c => c.column.name === column), points = new Map();
    for (const p of of[0].pairs) points.set(keyOf(p), p);
    if (!points.has(where)) where = [...points.keys()][Math.floor(points.size * 0.7)] || "";
    const unit = of[0].column.unit, devices = new Set(all.briefs.map(b => b.device || ""));
    fill(head,
      h("p", {}, first.title + ", ", count(all.briefs.length, "record"), ` from ${date(first.filed)} to ${date(all.briefs.at(-1).filed)}` + (first.settings && first.settings.length ? `, ${first.settings.join("; ")}` : "") + (devices.size === 1 && first.device ? `, device ${first.device}` : "") + ".", devices.size > 1 ? h("strong", {}, ` They are of ${devices.size} different devices.`) : ""),
      h("div", { class: "rows" },
        h("p", { class: "field" }, h("label", { for: "drift-column" }, "Quantity"), h("select", { id: "drift-column", onchange: e => {
          column = e.target.value;
          draw();
        } }, names.map(n => h("option", { value: n, selected: n === column }, n)))),
        h("p", { class: "field" }, h("label", { for: "drift-where" }, "At"), h("select", { id: "drift-where", onchange: e => {
          where = e.target.value;
          draw();
        } }, [...points.keys()].map(k => h("option", { value: k, selected: k === where }, k.trim() || "the only point"))))));
    document.getElementById("drift-column").value = column;
    document.getElementById("drift-where").value = where;

    const rows = [], begin = points.get(where);
    if (begin) rows.push({ brief: first, value: begin.a, change: null, judgement: "" });
    for (const b of all.briefs.slice(1)) {
      const c = of.find(x => x.record === b.id), p = c && c.pairs.find(q => keyOf(q) === where);
      if (p) rows.push({ brief: b, value: p.b, change: p.difference, judgement: p.judgement });
    }
    const seconds = r => new Date(r.brief.filed) / 1000, from = seconds({ brief: first }), span = [from, seconds({ brief: all.briefs.at(-1) })];
    while (charts.length) charts.pop().end();
    value.replaceChildren();
    change.replaceChildren();
    const marks = (pick, tell) => rows.filter(r => pick(r) && pick(r).v !== null).map((r, i) => ({ x: seconds(r), y: pick(r).v, u: pick(r).u || 0, key: i, text: [when(r.brief.filed), tell(r)].join("\n") }));
    const put = (place, title, name, m, limits, note) => {
      const c = new Chart(place, title);
      charts.push(c);
      c.draw({ title, x: { name: "ended", span, dates: dateTicks }, y: { name, unit }, lines: [{ name, marks: m }], limits, note, empty: "No record has this point." });
    };
    put(value, `${column} at${where}`, column, marks(r => r.value, r => withU(r.value.v, r.value.u, unit)), [], "Value ± U, k = 2: what the instruments can say each time by themselves.");
    put(change, "Gone from the first", `${column} − first`, marks(r => r.change, r => `${signed(r.change.v, r.change.u, unit)}, ${r.judgement}`), [{ at: 0, text: "as at first" }], "What both records share, such as the gain error of one instrument that was not calibrated in between, has dropped out of this U.");
    fill(table, h("section", {}, h("h2", {}, "Record by record"), h("table", { class: "folding" }, h("thead", {}, h("tr", {}, ["Ended", column, "From the first", "It is"].map(t => h("th", { scope: "col" }, t)))),
      h("tbody", {}, rows.map(r => h("tr", {}, h("th", { scope: "row" }, h("a", { href: "#/record/" + encodeURIComponent(r.brief.id) }, when(r.brief.filed))), h("td", { "data-label": column }, withU(r.value.v, r.value.u, unit)), h("td", { "data-label": "From the first" }, r.change ? r.change.v === null ? "no value" : signed(r.change.v, r.change.u, unit) : "–"), h("td", { "data-label": "It is" }, r.change ? verdictOf(r.judgement) : "the first")))))));
  }
  return { end() {
    gone = true;
    for (const c of charts) c.end();
  } };
}

// dateTicks are round dates and times from low to high, both in seconds since 1970, about five of them.
export function dateTicks(low, high) {
  const rough = (high - low) / 5, steps = [1, 5, 15, 60, 300, 900, 3600, 3 * 3600, 6 * 3600, 86400, 2 * 86400, 7 * 86400, 14 * 86400, 30 * 86400, 91 * 86400, 365 * 86400];
  const step = steps.find(x => x >= rough) || 365 * 86400 * Math.ceil(rough / 365 / 86400), zone = new Date(low * 1000).getTimezoneOffset() * 60, out = [];
  for (let t = Math.ceil((low - zone) / step) * step + zone; t <= high; t += step) {
    const d = new Date(t * 1000), two = n => String(n).padStart(2, "0");
    out.push({ at: t, label: step >= 86400 ? date(d) : `${two(d.getHours())}:${two(d.getMinutes())}` + (step < 60 ? ":" + two(d.getSeconds()) : "") });
  }
  return out;
}
