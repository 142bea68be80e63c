// One record: what came out, its files, its report, its traces, and what it can be held against.

import { h, fill, say } from "./dom.js";
import { get, words, recordPath, pointsOf } from "./api.js";
import { Chart, curveOf } from "./chart.js";
import { chip } from "./jobs.js";
import { texts, curvesOf, limitsOf, limits, limitTable, ledgerTable } from "./job.js";
import { brief } from "./setting.js";
import { withU, when, lasting, count } from "./format.js";

export function recordView(view, [id]) {
  const path = recordPath(id), charts = [];
  let gone = false;
  fill(view, h("h1", {}, "Record"), h("p", {}, "Loading…"));
  (async () => {
    try {
      const r = await get(path);
      if (!gone) show(r);
      if (r.columns.length && curvesOf(r).length) {
        const points = await pointsOf(id);
        if (!gone) draw(r, points);
      }
    } catch (e) {
      if (!gone) fill(view, h("h1", {}, "Record"), h("p", { class: "wrong", role: "alert" }, words(e)), h("p", {}, h("a", { href: "#/history" }, "History")));
    }
  })();

  function draw(r, points) {
    const place = document.getElementById("record-curves");
    for (const curve of curvesOf(r)) {
      const title = curve.title || `${curve.y} over ${curve.x}`, c = new Chart(place, title);
      c.draw({ ...curveOf(curve, r.columns, points, texts(r.columns)), title, limits: limitsOf(r, curve.y), empty: "No point has both values." });
      charts.push(c);
    }
  }

  function show(r) {
    document.title = r.title + " – fourwire";
    const address = new URL(path + "/points.csv", location.href).href, report = r.reports.includes("report.html") ? path + "/report/report.html" : "";
    const list = limits(r), changed = r.params.filter(p => p.set);
    fill(view,
      h("p", { class: "above" }, r.growing ? h("span", { class: "verdict run" }, "under way") : r.finished ? chip(r.outcome) : h("span", { class: "verdict undecided" }, "unfinished"), " ", r.simulated ? h("small", {}, "simulated bench") : ""),
      h("h1", {}, r.title),
      r.about ? h("p", { class: "about" }, r.about) : "",
      r.growing && r.job ? h("p", {}, h("a", { href: "#/job/" + r.job }, "It is still under way: watch it")) : r.reason ? h("p", { class: "note" }, r.reason + ".") : "",
      r.growing ? "" : (r.problems || []).map(p => h("p", { class: "note" }, p + ".")),
      h("ul", { class: "ways" },
        report ? h("li", {}, h("a", { href: report, target: "_blank", rel: "noopener" }, "Report in a tab of its own")) : "",
        r.reports.includes("results.xlsx") ? h("li", {}, h("a", { href: path + "/report/results.xlsx", download: "" }, "Workbook")) : "",
        h("li", {}, h("a", { href: path + "/points.csv", download: "" }, "Points (CSV)")),
        r.reports.includes("verdict.junit.xml") ? h("li", {}, h("a", { href: path + "/report/verdict.junit.xml", download: "" }, "Verdicts (JUnit)")) : "",
        h("li", {}, h("a", { href: `#/drift/${encodeURIComponent(id)}` }, "The same over time")),
        h("li", {}, h("a", { href: `#/compare/${encodeURIComponent(id)}` }, "Compare with another")),
        r.job ? h("li", {}, h("a", { href: "#/job/" + r.job }, "Job")) : "",
        r.sequence ? h("li", {}, h("a", { href: "#/new/" + encodeURIComponent(r.sequence) }, "Run it again")) : ""),
      list.length ? h("section", {}, h("h2", {}, "Limits"), limitTable(list)) : "",
      r.results.length ? h("section", {}, h("h2", {}, "Results"), h("dl", { class: "facts" }, r.results.map(x => h("div", {}, h("dt", {}, x.name, h("small", {}, " " + (x.expr || ""))), h("dd", {}, x.v === null ? x.why || "no value" : withU(x.v, x.u, x.unit)))))) : "",
      h("section", { class: "curves", id: "record-curves", "aria-label": "Curves", "data-keep": "" }),
      r.traces.length ? h("section", {}, h("h2", {}, "Traces"), h("ul", { class: "ways" }, r.traces.map(t => h("li", {}, h("a", { href: `#/trace/${encodeURIComponent(id)}/${encodeURIComponent(t.name)}` }, t.name), h("small", {}, ` ${t.signals.map(s => s.node || s.name).join(", ")}; ${lasting(t.seconds)}`))))) : "",
      h("section", {}, h("h2", {}, "What was run"), h("dl", { class: "facts" }, [
        ["Device", r.device], ["Sequence", r.sequence], ["Points", r.planned ? `${r.points} of ${r.planned}` : String(r.points)], ["Took", lasting(r.duration_s)], ["Began, by the bench's clock", when(r.started)], ["Ended", when(r.filed)], ["Bench", r.bench], ["Operator", r.operator], ["Made by", r.tool],
        ...r.params.map(p => [p.name + (p.set ? ", as set" : ""), brief(p.values)])].filter(([, v]) => v).map(([k, v]) => h("div", {}, h("dt", {}, k), h("dd", {}, v))))),
      h("section", {}, h("h2", {}, "Instruments"), h("table", { class: "folding" }, h("thead", {}, h("tr", {}, ["Name", "What", "Serial number", "Served as", "Calibrated"].map(t => h("th", { scope: "col" }, t)))),
        h("tbody", {}, r.instruments.map(i => h("tr", {}, h("th", { scope: "row" }, i.name), h("td", { "data-label": "What" }, [i.maker, i.model, i.firmware && "firmware " + i.firmware].filter(Boolean).join(" ")), h("td", { "data-label": "Serial number" }, i.serial || ""), h("td", { "data-label": "Served as" }, (i.roles || []).join(", ")), h("td", { "data-label": "Calibrated" }, i.calibrated || "not stated")))))),
      r.ledger && r.ledger.length ? h("section", {}, h("h2", {}, "Where the time went"), ledgerTable(r.ledger)) : "",
      h("section", {}, h("h2", {}, "The points in a spreadsheet"), h("p", {}, "This address stays the same, also while the run goes on. Paste it where the spreadsheet takes external data", " (where a token is wanted: any name, the token as password)."),
        h("p", { class: "inline" }, h("input", { readonly: true, id: "csv-address", "aria-label": "Address of the points", value: address, size: 70, onfocus: e => e.target.select() }), h("button", { type: "button", onclick: async () => {
          const field = document.getElementById("csv-address");
          field.select();
          try {
            await navigator.clipboard.writeText(address);
            say("The address is copied");
          } catch {
            say("The address is selected: copy it");
          }
        } }, "Copy"))),
      report ? h("section", {}, h("h2", {}, "Report"), h("iframe", { src: report, title: "Report of " + r.title, class: "report", "data-keep": "" })) : h("section", {}, h("h2", {}, "Report"), h("p", {}, r.growing ? "It is made when the run is over." : "There is none; “fourwire report” makes it.")));
  }
  return { end() {
    gone = true;
    for (const c of charts) c.end();
  } };
}
