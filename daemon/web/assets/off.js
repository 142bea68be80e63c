// The switch: every output off, at once, with a word on what was done. It needs neither the stream of events nor anything that was loaded.

import { ask, post, Refusal, Away, words, get } from "./api.js";
import { h, fill } from "./dom.js";
import { state, stream, watch, refusedTo, changed, load } from "./state.js";
import { when, lasting, plain } from "./format.js";

const patience = 8000;

// reportOf is what was done, by instrument and node.
export function reportOf(r) {
  const listed = r.off.length > 0 && (r.nodes.length > 0 || !r.safe);
  return [
    h("p", {}, h("strong", {}, r.safe ? "Off, verified. " : "Not verified: something may be on. Use the switch in the power. "), listed ? "" : r.text + ".",
      h("small", {}, ` ${when(r.at)}, by ${r.by}, ${lasting(r.s)}.`)),
    h("ul", {},
      r.off.map(o => h("li", { class: o.off ? "" : "grave" }, h("b", {}, o.instrument), o.off ? ` off after ${lasting(o.s)}` : " not verified off", o.problem ? ": " + o.problem : "")),
      r.nodes.map(n => h("li", { class: n.discharged ? "" : "grave" }, h("b", {}, n.node), " ", n.volts === null ? "" : plain(n.volts, "V") + " left, ", n.discharged ? "discharged" : "not discharged, or not known", n.text && n.volts === null ? h("small", {}, " " + n.text) : ""))),
    r.safe || !listed ? "" : h("details", {}, h("summary", {}, "All that is known"), h("p", {}, r.text + ".")),
    h("p", {}, r.stopped.length ? `Stopped: ${r.stopped.map(id => (state.jobs.find(j => j.id === id) || { title: id }).title).join("; ")}. ` : "No run was under way. ",
      "The bench is disarmed and its queue held until somebody arms it again."),
  ];
}

export function startSwitch() {
  const button = document.getElementById("off"), said = document.getElementById("off-said"), outputs = document.getElementById("outputs");
  let busy = false, shown = null, dismissed = "";

  const show = (kind, ...content) => {
    said.className = kind;
    fill(said, ...content);
  };

  button.addEventListener("click", async () => {
    if (busy) return;
    const why = state.session ? refusedTo() : "";
    if (why) return show("bad", h("p", {}, h("strong", {}, "Not done: "), why + ". Use the switch in the power."));
    busy = true;
    button.setAttribute("aria-busy", "true");
    show("doing", h("p", {}, "Switching every output off…"));
    const slow = setTimeout(() => show("bad", h("p", {}, h("strong", {}, "No answer yet. "), "Nothing is known of the outputs: use the switch in the power. The request is still under way.")), patience);
    stream.rest(); // a browser has few connections for one daemon: this one comes first
    try {
      const report = await ask("POST", "/api/outputs-off", {}, { within: 150000 });
      if (state.bench) state.bench.last_off = report;
      shown = report.at;
      tell(report);
      changed("off");
    } catch (e) {
      shown = "";
      const what = e instanceof Away ? "Nothing is known of the outputs, and nothing may have been done." : "Nothing was done.";
      show("bad", h("p", {}, h("strong", {}, "Outputs off failed: "), words(e), " ", h("strong", {}, what + " Use the switch in the power."), " Then try again."));
    } finally {
      clearTimeout(slow);
      busy = false;
      button.removeAttribute("aria-busy");
      if (stream.wanted) stream.open();
      load();
    }
  });

  function tell(r) {
    const close = h("button", { type: "button", class: "quiet", onclick: () => { dismissed = r.at; show(""); button.focus(); } }, "Close");
    show(r.safe ? "good" : "bad", close, reportOf(r));
  }

  function redraw() {
    const why = state.session ? refusedTo() : "";
    button.setAttribute("aria-disabled", why ? "true" : "false");
    const hub = state.lab && state.lab.hub;
    document.getElementById("off-about").textContent = why ? `Not for you: ${why}. Use the switch in the power.` : (hub ? "Of every bench of the lab. " : "") + "A software stop, no emergency stop: have a switch in the power.";
    const b = state.bench;
    if (!state.link.up) {
      outputs.className = "unsure";
      fill(outputs, h("strong", {}, "Outputs not known"), b ? ` — last known ${when(state.link.since)}: ${b.outputs}` : "");
    } else if (hub) {
      const benches = state.lab.members.filter(m => !m.hub), on = benches.filter(m => m.state === "here" && m.outputs === "on"), unsure = benches.filter(m => m.state !== "here" || !["on", "off"].includes(m.outputs));
      outputs.className = unsure.length || state.lab.cut ? "unsure" : on.length ? "on" : "calm";
      const names = list => list.map(m => m.name).join(", ");
      fill(outputs, h("strong", {}, state.lab.cut ? "Outputs not known: the lab is cut off" : unsure.length ? "Outputs not known at " + names(unsure) : on.length ? "Outputs are on at " + names(on) : benches.length ? "Outputs are off, as every bench says" : "No bench is in the lab"), !state.lab.cut && unsure.length && on.length ? "; on at " + names(on) : "");
    } else if (!b) {
      outputs.className = "";
      fill(outputs, "Outputs: not known yet");
    } else {
      outputs.className = { off: "calm", on: "on", "not verified": "unsure" }[b.outputs] || "unsure";
      const on = (b.instruments || []).flatMap(i => (i.outputs || []).filter(o => o.on).map(o => o.channel));
      fill(outputs, h("strong", {}, b.outputs === "off" ? "Outputs are off" : b.outputs === "on" ? "Outputs are on" : "Outputs not verified off"), on.length ? ": " + on.join(", ") : "");
    }
    const last = b && b.last_off;
    if (last && last.at !== shown && last.at !== dismissed && !busy && Date.now() - new Date(last.at) < 15 * 60e3 && b.held) { // somebody else did it
      shown = last.at;
      tell(last);
    }
    if (last && b.armed && shown === last.at && !busy && said.className === "good") show("");
  }
  watch(redraw);
  redraw();
}
