// Jobs as lines: what they are, where they stand, what can be done about them.

import { h } from "./dom.js";
import { ask, post, words } from "./api.js";
import { state, active, over, refusedTo, changed } from "./state.js";
import { when, lasting, count } from "./format.js";

// chip is an outcome as the reports show it, or a state.
export function chip(outcome) {
  const [kind, mark] = { pass: ["pass", "✓"], fail: ["fail", "✗"], undecided: ["undecided", "?"], "not judged": ["unjudged", "–"] }[outcome] || ["unjudged", "–"];
  return h("span", { class: "verdict " + kind }, h("span", { "aria-hidden": "true" }, mark), " " + (outcome || "not judged"));
}

// stateChip is where a job stands; a run that is done is told by its outcome.
export function stateChip(j) {
  if (j.state === "done" && j.outcome) return chip(j.outcome);
  const kind = { running: "run", starting: "run", failed: "fail", interrupted: "undecided" }[j.state] || "unjudged";
  return h("span", { class: "verdict " + kind }, j.state);
}

// jobLine is a job in one or two lines.
export function jobLine(j) {
  const facts = [j.device ? "device " + j.device : "", j.settings && j.settings.length ? j.settings.join("; ") : "", "by " + j.owner, j.holder ? "at " + j.holder : ""];
  if (j.priority) facts.push("priority " + j.priority);
  if (j.every) facts.push("every " + often(j.every));
  if (j.state === "scheduled" && j.at) facts.push("next " + when(j.at));
  if (over(j)) facts.push(when(j.ended || j.submitted));
  else if (!active(j)) facts.push("takes about " + lasting(j.predicted_s));
  return h("div", { class: "job" }, h("p", { class: "what" }, stateChip(j), " ", h("a", { href: "#/job/" + j.id }, j.title)),
    h("p", { class: "remark" }, facts.filter(Boolean).join(" · ")),
    j.waits ? h("p", { class: "note" }, "Waits: " + j.waits + ".") : "",
    j.reason && over(j) ? h("p", { class: "note" }, j.reason + (j.hint ? ` (${j.hint})` : "") + ".") : "");
}

// often is a time between two runs as a person says it.
export const often = text => /^\d+(\.\d+)? s$/.test(text) ? lasting(parseFloat(text)) : text;

// progress is how far a job is.
export function progress(j) {
  const left = j.planned > j.points && j.points > 0 ? j.predicted_s * (1 - j.points / j.planned) : 0;
  return h("p", { class: "progress" }, h("progress", { max: Math.max(1, j.planned), value: Math.min(j.points, j.planned), "aria-label": "Points of " + j.title }),
    ` ${j.points} of ${count(j.planned, "point")}` + (left ? `, about ${lasting(left)} left` : ""), j.progress ? h("small", {}, " " + j.progress) : "");
}

// jobButtons are what can be done about a job; told is called with what came of it.
export function jobButtons(j, told) {
  const why = refusedTo(), out = [];
  const button = (words, act) => h("button", { type: "button", "data-key": "b-" + words + j.id, "aria-label": `${words}: ${j.title}`, "aria-disabled": why ? "true" : null, title: why ? `Not for you: ${why}` : null, onclick: () => why ? told(`Not for you: ${why}.`) : act() }, words);
  const send = (f, done) => async () => {
    try {
      const now = await f();
      const at = state.jobs.findIndex(x => x.id === now.id);
      if (at >= 0) state.jobs[at] = now;
      else state.jobs.unshift(now);
      const run = state.runs.get(now.id);
      if (run) run.job = now;
      told(done, now);
      if (document.activeElement === document.body) document.getElementById("main").focus({ preventScroll: true }); // the button is gone
      changed("jobs", "run");
    } catch (e) {
      told(words(e));
    }
  };
  if (active(j)) out.push(button("Stop", send(() => ask("DELETE", "/api/jobs/" + j.id), "Stopped: outputs are switched off in order.")));
  else if (!over(j)) out.push(button("Cancel", send(() => ask("DELETE", "/api/jobs/" + j.id), "Cancelled.")));
  if (j.resumable) out.push(button("Go on", send(() => post(`/api/jobs/${j.id}/resume`), "It goes on after its last whole point.")));
  return out;
}
