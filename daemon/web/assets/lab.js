// The lab: benches and hubs that share their work, each with a switch of its own.

import { h, fill } from "./dom.js";
import { ask, get, words, Away } from "./api.js";
import { state, watch, refusedTo, changed } from "./state.js";
import { reportOf } from "./off.js";
import { when, count } from "./format.js";

const every = 4000;

export function labView(view) {
  let gone = false, timer = 0, wrong = "", busy = "";
  const said = h("div", { role: "alert", class: "said", "data-key": "said" });

  async function look() {
    clearTimeout(timer);
    try {
      if (!document.hidden) state.lab = await get("/api/lab");
      wrong = "";
      changed("lab");
    } catch (e) {
      wrong = words(e);
    }
    if (gone) return;
    draw();
    timer = setTimeout(look, every);
  }

  async function off(m) {
    const why = refusedTo();
    if (why || busy) return;
    busy = m.name;
    said.className = "said doing";
    fill(said, h("p", {}, `Switching every output of ${m.name} off…`));
    draw();
    try {
      const r = await ask("POST", `/api/lab/${encodeURIComponent(m.name)}/outputs-off`, {}, { within: 150000 });
      said.className = "said " + (r.safe ? "good" : "bad");
      fill(said, h("p", {}, h("strong", {}, m.name + ": ")), reportOf(r));
    } catch (e) {
      said.className = "said bad";
      fill(said, h("p", {}, h("strong", {}, m.name + ": outputs off failed. "), words(e), e instanceof Away ? " Nothing is known of its outputs." : " Nothing was done.", " Use the switch in the power there."));
    }
    busy = "";
    look();
  }

  function draw() {
    const l = state.lab, why = refusedTo();
    if (!l) return fill(view, h("h1", {}, "The lab"), h("p", {}, wrong || "Loading…"));
    if (!l.joined) return fill(view, h("h1", {}, "The lab"), h("p", {}, "This daemon is alone with its bench."));
    fill(view, h("h1", {}, "The lab"), wrong ? h("p", { class: "wrong" }, wrong) : "", l.cut ? h("p", { class: "note" }, `Nothing can be asked of the lab: ${l.cut}. What stands here is what was heard last.`) : "",
      h("p", {}, `${count(l.queue.running, "run")} under way, ${l.queue.queued} waiting, ${l.queue.scheduled} scheduled. `, h("a", { href: "#/queue" }, "Queue")), said,
      h("table", { class: "folding", "data-key": "members" }, h("thead", {}, h("tr", {}, ["Bench", "Is", "Outputs", "Armed", "Runs", "Switch"].map(t => h("th", { scope: "col" }, t)))),
        h("tbody", {}, l.members.map(m => h("tr", { "data-key": "m-" + m.name },
          h("th", { scope: "row" }, m.name, h("small", {}, [m.title, m.hub ? "hub" : count(m.instruments.length, "instrument"), m.host, m.simulated ? "simulated" : ""].filter(Boolean).join(" · "))),
          h("td", { "data-label": "Is" }, h("span", {}, h("span", { class: "health " + ({ here: "ok", left: "unknown", vanished: "wrong" }[m.state] || "unknown") }, m.state), m.heard ? h("small", { class: "why" }, "heard " + when(m.heard)) : "")),
          h("td", { "data-label": "Outputs" }, m.hub ? "has none" : h("span", { class: "put " + (m.state !== "here" || m.outputs === "not verified" || !m.outputs ? "unsure" : m.outputs === "on" ? "hot" : "cold") }, m.state === "here" ? m.outputs || "not known" : `not known, last heard ${m.outputs || "nothing"}`)),
          h("td", { "data-label": "Armed" }, m.hub ? "" : m.armed ? h("span", { class: "state hot" }, "armed") : h("span", { class: "state cold" }, "not armed"), m.held ? h("small", { class: "why" }, m.held) : ""),
          h("td", { "data-label": "Runs" }, m.hub ? "" : String(m.running)),
          h("td", {}, m.hub ? "" : h("button", { type: "button", class: "cut", "data-key": "off-" + m.name, "aria-disabled": why ? "true" : null, "aria-busy": busy === m.name ? "true" : null, onclick: () => off(m) }, `${m.name} off`)))))),
      h("p", { class: "remark" }, why ? `The switches are not for you: ${why}.` : "Each switch turns every output of that bench off at once, by way of its own daemon. A software stop, no emergency stop."));
  }
  draw();
  look();
  const end = watch(what => what.has("session") && draw());
  return { end() {
    gone = true;
    clearTimeout(timer);
    end();
  } };
}
