// The queue: what runs and waits, in its order, and what is over.

import { h, fill } from "./dom.js";
import { get, words } from "./api.js";
import { state, watch, over, active } from "./state.js";
import { jobLine, jobButtons, progress } from "./jobs.js";

export function queueView(view) {
  let told = "", more = [], next = null, wrong = "";
  const row = j => h("li", { "data-key": j.id, class: "with-buttons" }, h("div", {}, jobLine(j), active(j) ? progress(j) : ""), h("p", { class: "buttons" }, jobButtons(j, text => {
    told = `${j.title}: ${text}`;
    draw();
  })));
  async function older() {
    try {
      const page = await get("/api/jobs", { limit: 50, after: next === null ? state.next : next });
      more.push(...page.jobs);
      next = page.next || "";
      wrong = "";
    } catch (e) {
      wrong = words(e);
    }
    draw();
  }
  function draw() {
    const open = state.jobs.filter(j => !over(j)), seen = new Set(state.jobs.map(j => j.id)), ended = [...state.jobs.filter(over), ...more.filter(j => !seen.has(j.id))];
    fill(view, h("h1", {}, "Queue"), h("p", { role: "status" }, told),
      state.bench && state.bench.held ? h("p", { class: "note" }, "Nothing starts: " + state.bench.held + ".") : "",
      h("section", { "data-key": "open" }, h("h2", {}, "Running and waiting"), open.length ? h("ul", { class: "jobs" }, open.map(row)) : h("p", {}, state.loaded ? ["Nothing. ", h("a", { href: "#/new" }, "Start a run")] : "Loading…")),
      h("section", { "data-key": "over" }, h("h2", {}, "Over"), ended.length ? h("ul", { class: "jobs" }, ended.map(row)) : h("p", {}, "Nothing yet."),
        (next === null ? state.next : next) ? h("p", {}, h("button", { type: "button", onclick: older }, "Show older ones")) : "", h("p", { class: "wrong", role: "alert" }, wrong)));
  }
  draw();
  return { end: watch(draw) };
}
