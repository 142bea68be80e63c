// Comparison of records, point by point: what differs by more than its uncertainty, what is better, what is not to be told apart.

import { h, fill } from "./dom.js";
import { get, post, words, recordPath } from "./api.js";
import { Chart } from "./chart.js";
import { chip } from "./jobs.js";
import { withU, signed, plain, when, count } from "./format.js";

const judged = { better: "better", worse: "worse", higher: "higher", lower: "lower", mixed: "mixed", "no difference": "no difference", unknown: "cannot be told" };
const kind = { better: "pass", worse: "fail", higher: "undecided", lower: "undecided", mixed: "undecided", "no difference": "unjudged", unknown: "unjudged" };
const sign = { better: "▲", worse: "▼", higher: "↑", lower: "↓", mixed: "↕", "no difference": "=", unknown: "–" };

// verdictOf is a judgement as words with a mark.
export const verdictOf = j => h("span", { class: "verdict " + (kind[j] || "unjudged") }, h("span", { "aria-hidden": "true" }, sign[j] || "–"), " " + (judged[j] || j));

// picker finds records like one, to be held against it.
export async function similar(r, more = {}) {
  const page = await get("/api/records", { sequence: r.sequence, limit: 100, ...more });
  return page.records.filter(x => x.title === r.title && x.finished);
}

export function compareView(view, [list]) {
  const ids = (list || "").split(",").filter(Boolean);
  let chart = null, gone = false, c = null, column = "", other = 0;
  const top = h("div", {}), picture = h("section", { "aria-label": "Differences", "data-keep": "" }), table = h("div", {});
  fill(view, h("h1", {}, "Comparison"), top, picture, table);
  fill(top, h("p", {}, "Loading…"));
  (async () => {
    try {
      if (ids.length < 2) return await choose();
      c = await post("/api/compare", { records: ids });
      if (gone) return;
      column = (c.compared.find(x => x.better) || c.compared.find(x => x.column.kind === "derived") || c.compared[0]).column.name;
      draw();
    } catch (e) {
      if (!gone) fill(top, h("p", { class: "wrong", role: "alert" }, words(e)), h("p", {}, h("a", { href: "#/history" }, "Pick others in the history")));
    }
  })();

  async function choose() {
    if (!ids.length) return fill(top, h("p", {}, "Pick two or more records in the ", h("a", { href: "#/history" }, "history"), "."));
    const r = await get(recordPath(ids[0])), others = (await similar(r)).filter(x => x.id !== r.id);
    if (gone) return;
    fill(top, h("p", {}, "What is to be held against ", h("a", { href: "#/record/" + encodeURIComponent(r.id) }, r.title), ` of ${when(r.filed)}?`),
      others.length ? h("ul", { class: "jobs" }, others.map(x => h("li", {}, chip(x.outcome), " ", h("a", { href: "#/compare/" + [r, x].sort((p, q) => new Date(p.filed) - new Date(q.filed)).map(y => encodeURIComponent(y.id)).join(",") }, when(x.filed)), h("small", {}, " " + [x.device && "device " + x.device, (x.settings || []).join("; "), x.bench].filter(Boolean).join(" · "))))) :
        h("p", {}, "There is no other finished record of this sequence. ", h("a", { href: "#/history" }, "Pick any in the history"), "."));
  }

  const letter = k => String.fromCharCode(65 + k);
  const label = k => `${letter(k)}, ${when(c.records[k].filed)}`;

  function draw() {
    const names = [...new Set(c.compared.map(x => x.column.name))], others = c.records.slice(1);
    fill(top,
      h("ol", { class: "sides" }, c.records.map((r, k) => h("li", {}, h("b", {}, letter(k)), " ", chip(r.outcome), " ", h("a", { href: "#/record/" + encodeURIComponent(r.id) }, r.title), h("small", {}, " " + ["ended " + when(r.filed), r.device && "device " + r.device, (r.settings || []).join("; "), r.bench].filter(Boolean).join(" · ")), k ? [" ", h("a", { href: "#/compare/" + [r.id, ...ids.filter(x => x !== r.id)].map(encodeURIComponent).join(",") }, "make it A")] : ""))),
      h("p", { class: "remark" }, "A is what the others are held against. Points pair by their coordinates; what both share, such as the gain error of one channel that was not calibrated in between, has dropped out of the difference. A difference counts where it is greater than its U, k = 2."),
      (c.notes || []).map(n => h("p", { class: "note" }, n + ".")),
      others.map((r, k) => h("section", { "data-key": r.id }, h("h2", {}, `${letter(k + 1)} against A`),
        h("table", { class: "folding compared" }, h("thead", {}, h("tr", {}, ["Quantity", letter(k + 1) + " is", "Mean difference", "Points", "Look"].map(t => h("th", { scope: "col" }, t)))),
          h("tbody", {}, c.compared.filter(x => x.record === r.id).map(x => h("tr", { "data-key": x.column.name },
            h("th", { scope: "row" }, x.column.name, h("small", {}, x.column.node || x.column.expr || "")),
            h("td", { "data-label": letter(k + 1) + " is" }, verdictOf(x.judgement), x.better ? h("small", { class: "why" }, x.better + " is better") : "", x.judgement === "mixed" ? h("small", { class: "why" }, "higher at some points, lower at others") : ""),
            h("td", { "data-label": "Mean difference" }, x.mean_difference.v === null ? "" : signed(x.mean_difference.v, x.mean_difference.u, x.column.unit), x.mean_difference.v !== null && !x.mean_difference.u ? h("small", { class: "why" }, "no U") : ""),
            h("td", { "data-label": "Points" }, h("span", {}, [x.higher && `${x.higher} higher`, x.lower && `${x.lower} lower`, x.no_difference && `${x.no_difference} not to be told apart`].filter(Boolean).join(", ") || "none pairs", x.unpaired ? h("small", { class: "why" }, `${x.unpaired} have no partner`) : "")),
            h("td", {}, h("button", { type: "button", class: "quiet", "data-key": "look-" + x.column.name, "aria-pressed": x.column.name === column && other === k ? "true" : "false", onclick: () => {
              column = x.column.name;
              other = k;
              draw();
              picture.scrollIntoView({ block: "start" });
            }, "aria-label": `Show ${x.column.name}, ${letter(k + 1)} against A` }, "show")))))))));
    const one = c.compared.find(x => x.record === others[other].id && x.column.name === column) || c.compared.find(x => x.record === others[other].id);
    if (!one) return;
    difference(one, other + 1);
  }

  // difference draws the differences of one quantity over the coordinate that takes most values, one line for each of the others.
  function difference(one, k) {
    const u = one.column.unit, pairs = one.pairs.filter(p => p.difference.v !== null), axes = Object.keys((one.pairs[0] || { at: {} }).at);
    const many = n => new Set(pairs.map(p => p.at[n])).size;
    const x = [...axes].sort((p, q) => many(q) - many(p))[0], rest = axes.filter(n => n !== x && many(n) > 1), lines = new Map();
    const unitOf = n => units.get(n) || "1";
    pairs.forEach((p, i) => {
      const name = [...rest.map(n => `${n} = ${plain(Number(p.at[n].toPrecision(6)), unitOf(n))}`), p.part].filter(Boolean).join(", ") || `${letter(k)} − A`;
      if (!lines.has(name)) lines.set(name, { name, marks: [] });
      lines.get(name).marks.push({ x: x ? p.at[x] : i + 1, y: p.difference.v, u: p.difference.u || 0, key: i,
        text: [name, ...axes.filter(n => n === x).map(n => `${n}: ${plain(Number(p.at[n].toPrecision(6)), unitOf(n))}`), `A: ${withU(p.a.v, p.a.u, u)}`, `${letter(k)}: ${withU(p.b.v, p.b.u, u)}`, `${letter(k)} − A: ${signed(p.difference.v, p.difference.u, u)}, ${p.judgement}`].join("\n") });
    });
    for (const l of lines.values()) l.marks.sort((p, q) => p.x - q.x);
    if (chart) chart.end();
    picture.replaceChildren();
    const title = `${one.column.name}: ${letter(k)} − A`, xs = pairs.map(p => p.at[x]).filter(v => v > 0);
    chart = new Chart(picture, title);
    const log = xs.length === pairs.length && xs.length > 2 && Math.max(...xs) / Math.min(...xs) > 20;
    chart.draw({ title, x: { name: x || "pair", unit: x ? unitOf(x) : "1", log }, y: { name: `${letter(k)} − A`, unit: u === "1" ? "1" : u }, lines: [...lines.values()], limits: [{ at: 0, text: "no difference" }], empty: "No points pair.", note: "" });
    const out = one.shared ? one.shared.split(", ") : [];
    fill(table, out.length ? h("details", { "data-key": "shared" }, h("summary", {}, `${count(out.length, "error input")} ${out.length === 1 ? "is" : "are"} the same in both and dropped out`), h("p", { class: "remark" }, out.join("; ") + ".")) : "", h("details", { "data-key": "pairs" }, h("summary", {}, `Point by point: ${one.column.name}`), h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, [...axes, "A", letter(k), `${letter(k)} − A`, `${letter(k)} is`].map(t => h("th", { scope: "col" }, t)))),
      h("tbody", {}, one.pairs.slice(0, 1000).map(p => h("tr", {}, axes.map(n => h("td", {}, plain(Number(p.at[n].toPrecision(6)), unitOf(n)))), h("td", {}, withU(p.a.v, p.a.u, u)), h("td", {}, withU(p.b.v, p.b.u, u)), h("td", {}, p.difference.v === null ? "" : signed(p.difference.v, p.difference.u, u)), h("td", {}, p.judgement))))))));
  }

  // units of the coordinates are told by the first record
  const units = new Map();
  if (ids.length > 1) get(recordPath(ids[0])).then(r => {
    for (const col of r.columns) units.set(col.name, col.unit);
    if (c && !gone) draw();
  }).catch(() => {});
  return { end() {
    gone = true;
    if (chart) chart.end();
  } };
}
