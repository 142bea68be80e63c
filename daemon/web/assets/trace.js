// A trace of a record to look into: the viewer of the reports, fed by the API.

import { h, fill } from "./dom.js";
import { get, words, recordPath } from "./api.js";
import { traceViewer } from "./viewer.js";
import { when, lasting } from "./format.js";

export function traceView(view, [id, name]) {
  let gone = false;
  fill(view, h("h1", {}, "Trace"), h("p", {}, "Loading…"));
  (async () => {
    try {
      const r = await get(recordPath(id)), head = r.traces.find(t => t.name === name);
      if (gone) return;
      if (!head || !head.signals.length || !(head.interval_s > 0)) throw new Error("the record has no such trace, or it cannot be read yet");
      const figure = h("figure", { class: "trace", "data-keep": "" }, h("div", { class: "viewer", hidden: true }), h("figcaption", {}, "Shaded: from the least to the greatest sample; line: mean. Nothing is drawn where nothing was recorded."));
      document.title = `${name}, ${r.title} – fourwire`;
      fill(view, h("h1", {}, "Trace ", h("code", {}, name)), h("p", {}, h("a", { href: "#/record/" + encodeURIComponent(id) }, r.title), `, ended ${when(r.filed)}`),
        h("p", { class: "remark" }, [head.signals.map(s => `${s.name}${s.node ? " at " + s.node : ""}`).join(", "), lasting(head.seconds), `a sample every ${lasting(head.interval_s)}`, head.trigger_s ? `the event is at ${lasting(head.trigger_s)}` : ""].filter(Boolean).join(" · ")),
        r.traces.length > 1 ? h("ul", { class: "ways", "aria-label": "Traces of the record" }, r.traces.map(t => h("li", {}, h("a", { href: `#/trace/${encodeURIComponent(id)}/${encodeURIComponent(t.name)}`, "aria-current": t.name === name ? "page" : null }, t.name)))) : "", figure);
      const path = recordPath(id) + "/traces/" + encodeURIComponent(name), n = Math.round(head.seconds / head.interval_s);
      traceViewer(figure, { name, record: "RECORD", n, interval: head.interval_s, i: head.signals.findIndex(s => s.unit === "A"), v: head.signals.findIndex(s => s.unit === "V"), cross: false, whole: true,
        signals: head.signals.map(s => ({ name: s.name, node: s.node || "", unit: s.unit, base: 1, steps: [1], mults: [1] })), levels: [], spans: [], states: [], events: [], lines: [], gaps: [], source: { ask: query => get(path, query) } });
    } catch (e) {
      if (!gone) fill(view, h("h1", {}, "Trace"), h("p", { class: "wrong", role: "alert" }, words(e)), h("p", {}, h("a", { href: "#/record/" + encodeURIComponent(id) }, "The record")));
    }
  })();
  return { end() {
    gone = true;
  } };
}
