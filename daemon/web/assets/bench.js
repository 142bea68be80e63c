// The bench at a glance: what stands at the nodes of the device, which instrument is there, what runs, whether it is armed.

import { h, fill, say } from "./dom.js";
import { post, words } from "./api.js";
import { state, watch, runOf, follow, active, over, refusedTo } from "./state.js";
import { withU, when, date, lasting, count } from "./format.js";
import { jobLine, progress } from "./jobs.js";

export function benchView(view) {
  let hours = "", armSaid = "";

  // the run whose values are the last that are known: what is under way, or what was last
  function lastRun() {
    const j = state.jobs.find(active) || state.jobs.find(j => j.record && over(j) && (j.points > 0 || j.state === "done"));
    return j ? runOf(j.id) : null;
  }

  async function arm(on) {
    armSaid = "";
    try {
      state.bench = await post("/api/arm", on ? { armed: true, for: hours.trim() } : { armed: false });
      say(on ? "The bench is armed" : "The bench is disarmed");
    } catch (e) {
      armSaid = words(e);
    }
    draw();
  }

  function armed(b) {
    const why = refusedTo();
    return h("section", { "data-key": "arm" }, h("h2", {}, "Armed"),
      h("p", { id: "armed" }, h("span", { class: "state " + (b.armed ? "hot" : "cold") }, b.armed ? "armed" : "not armed"),
        b.armed ? ` by ${b.armed_by}` + (b.armed_until ? `, until ${when(b.armed_until)}` : "") + ": runs may energise the bench." : " No run energises the bench before somebody arms it."),
      b.outputs === "not verified" ? h("p", { class: "note grave" }, "It is not verified that the outputs are off: go and look before you arm it.") : "",
      b.held ? h("p", { class: "note" }, "Nothing starts: " + b.held + ".") : "",
      b.armed ? h("p", {}, h("button", { type: "button", "data-key": "arm-button", "aria-disabled": why ? "true" : null, onclick: () => why || arm(false) }, "Disarm")) :
        h("p", { class: "inline" }, h("label", { for: "arm-for" }, "for"), h("input", { id: "arm-for", size: 8, placeholder: "no end", "aria-describedby": "arm-about", oninput: e => hours = e.target.value }),
          h("button", { type: "button", "data-key": "arm-button", "aria-disabled": why ? "true" : null, onclick: () => why || arm(true) }, "Arm the bench")),
      h("p", { class: "remark", id: "arm-about" }, why ? `Not for you: ${why}.` : b.armed ? "What waits stays in the queue; what runs goes on." : "A time as in 8 h, or nothing. See to it that nobody touches the bench, and that the device and its cells are watched as your local rules have it."),
      armSaid ? h("p", { class: "wrong", role: "alert" }, armSaid) : "");
  }

  // nodes are those that something is wired to, with what was last read there.
  function nodes(b, run) {
    const all = new Map();
    for (const i of b.instruments) for (const w of i.wired) {
      const [as, node] = w.split(" at ");
      if (!all.has(node)) all.set(node, { node, wired: [], read: [] });
      all.get(node).wired.push({ as, i });
    }
    const last = run && run.points.at(-1), columns = run && run.record ? run.record.columns : [];
    if (last) for (const c of columns) {
      const found = /^[a-z]+\((.*)\)$/.exec(c.node || "");
      if (c.kind !== "measured" || !found || !all.has(found[1])) continue;
      const value = last.values[c.name];
      if (value && value.v !== null) all.get(found[1]).read.push({ c, value });
    }
    return [...all.values()];
  }

  function board(b) {
    const run = lastRun(), now = run && run.job && active(run.job), last = run && run.points.at(-1);
    return h("section", { "data-key": "nodes" }, h("h2", {}, "At the nodes of the device"),
      h("div", { class: "nodes" }, nodes(b, run).map(n => h("article", { class: "node", "data-key": "node-" + n.node },
        h("h3", {}, n.node),
        n.read.length ? h("dl", { class: now ? "read-now" : "read-then" }, n.read.map(r => h("div", {}, h("dt", {}, r.c.name, h("small", {}, " " + r.c.from)), h("dd", {}, withU(r.value.v, r.value.u, r.c.unit))))) :
          h("p", { class: "remark" }, "nothing read yet"),
        h("ul", { class: "wired" }, n.wired.map(({ as, i }) => h("li", {}, as + " ", h("b", {}, i.name), output(as, i, b))))))),
      last ? h("p", { class: "remark" }, now ? `Point ${last.n} of ` : `Last known: point ${last.n} of `, h("a", { href: "#/job/" + run.id }, run.job.title), now ? ", which is under way." : `, ended ${when(run.job.ended)}. U: k = 2.`) : "");
  }

  function output(as, i, b) {
    if (as !== "source" && as !== "load") return "";
    const list = i.outputs || [];
    if (!state.link.up) return h("span", { class: "put unsure" }, " not known now, last known " + (list.some(o => o.on) ? "on" : b.outputs === "not verified" ? "not verified" : "off"));
    if (list.length) return list.map(o => h("span", { class: "put " + (o.on ? "hot" : "cold") }, o.on ? [" on", h("small", {}, `, begun with ${o.text}`)] : " off"));
    return h("span", { class: "put " + (b.outputs === "not verified" ? "unsure" : "cold") }, b.outputs === "not verified" ? " not verified" : " off");
  }

  function running(b) {
    const list = state.jobs.filter(j => !over(j)).slice(0, 6), more = state.jobs.filter(j => !over(j)).length - list.length;
    return h("section", { "data-key": "now" }, h("h2", {}, "Runs"),
      list.length ? h("ul", { class: "jobs" }, list.map(j => h("li", { "data-key": j.id }, jobLine(j), active(j) ? progress(j) : ""))) :
        h("p", {}, "Nothing runs and nothing waits. ", h("a", { href: "#/new" }, "Start a run")),
      more > 0 ? h("p", {}, h("a", { href: "#/queue" }, `${more} more in the queue`)) : "");
  }

  const healthWords = { ok: "answers", warning: "answers, with a warning", unreachable: "cannot be reached", wrong: "is another instrument", unknown: "not asked yet" };

  function instruments(b) {
    return h("section", { "data-key": "instruments" }, h("h2", {}, "Instruments"),
      h("table", { class: "folding" }, h("thead", {}, h("tr", {}, ["Instrument", "Wired as", "Health", "Calibration", "In use by"].map(t => h("th", { scope: "col" }, t)))),
        h("tbody", {}, b.instruments.map(i => {
          const job = i.job && state.jobs.find(j => j.id === i.job), id = (i.health.identity || "").split(", ");
          return h("tr", { "data-key": "i-" + i.name },
            h("th", { scope: "row" }, i.name, h("small", {}, id.length > 2 ? `${id[0]} ${id[1]}, no. ${id[2]}` : i.model)),
            h("td", { "data-label": "Wired as" }, i.wired.length ? i.wired.join(", ") : "not wired"),
            h("td", { "data-label": "Health" }, h("span", {}, h("span", { class: "health " + i.health.state }, healthWords[i.health.state] || i.health.state),
              i.health.checked ? h("small", {}, " " + when(i.health.checked)) : "", i.health.error ? h("small", { class: "why" }, i.health.error + (i.health.since && i.health.state !== "ok" ? `, since ${when(i.health.since)}` : "")) : i.health.last_error ? h("small", { class: "why" }, `error queue, ${when(i.health.last_error_at)}: ${i.health.last_error}`) : "")),
            h("td", { "data-label": "Calibration" }, i.overdue ? h("span", { class: "health wrong" }, "was due " + date(i.due)) : i.due_soon ? h("span", { class: "health warning" }, "due soon: " + date(i.due)) : i.due ? "due " + date(i.due) : i.calibrated ? "calibrated " + date(i.calibrated) : "no date stated"),
            h("td", { "data-label": "In use by" }, i.job ? h("a", { href: "#/job/" + i.job }, job ? job.title : "a run") : "free"));
        }))),
      h("p", { class: "remark" }, "Health is asked for while an instrument is idle, once a minute."));
  }

  function draw() {
    const b = state.bench;
    fill(view, h("h1", {}, "The bench"), b ? [board(b), running(b), armed(b), instruments(b), h("p", { class: "remark" }, b.version)] : h("p", {}, "Loading…"));
    const run = lastRun();
    if (run && run.stale) follow(run);
  }
  draw();
  return { end: watch(draw) };
}
