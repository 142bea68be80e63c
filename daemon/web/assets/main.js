// The page: who is asking, which view is shown, and what is said when the daemon does not answer.

import { h, fill } from "./dom.js";
import { ask, words, Refusal } from "./api.js";
import { state, watch, begin, changed, stream } from "./state.js";
import { startSwitch } from "./off.js";
import { when } from "./format.js";
import { benchView } from "./bench.js";
import { submitView } from "./submit.js";
import { queueView } from "./queue.js";
import { jobView } from "./job.js";
import { historyView } from "./history.js";
import { recordView } from "./record.js";
import { compareView } from "./compare.js";
import { driftView } from "./drift.js";
import { traceView } from "./trace.js";
import { labView } from "./lab.js";

const views = { bench: benchView, new: submitView, queue: queueView, job: jobView, history: historyView, record: recordView, compare: compareView, drift: driftView, trace: traceView, lab: labView };
const main = document.getElementById("main");
let shown = null, at = null;

// The address names the view: #/record/ID?trace=burn.
function route() {
  const [path, query] = location.hash.replace(/^#\/?/, "").split("?"), [page, ...rest] = path.split("/").map(decodeURIComponent);
  return { page: page || "bench", rest, query: new URLSearchParams(query || "") };
}

function show() {
  const r = route(), key = location.hash;
  for (const a of document.querySelectorAll("nav a")) a.dataset.page === r.page ? a.setAttribute("aria-current", "page") : a.removeAttribute("aria-current");
  if (state.locked) return signIn();
  if (key === at && shown) return;
  if (shown && shown.end) shown.end();
  const first = at === null;
  at = key;
  shown = null;
  const view = h("div", { class: "view", "data-key": key || "#/" });
  main.replaceChildren(view);
  const made = views[r.page];
  if (made) shown = made(view, r.rest, r.query) || {};
  else fill(view, h("h1", {}, "There is no such page"), h("p", {}, h("a", { href: "#/" }, "The bench")));
  document.title = (view.querySelector("h1") || { textContent: "" }).textContent + " – fourwire";
  if (!first) {
    scrollTo(0, 0);
    main.focus({ preventScroll: true });
  }
}

// signIn asks for a token; the view stays below until then.
function signIn() {
  if (document.getElementById("sign-in")) return;
  const said = h("p", { class: "wrong", role: "alert" }), token = h("input", { id: "token", type: "password", autocomplete: "current-password", required: true, spellcheck: "false" });
  const form = h("form", { id: "sign-in", onsubmit: async e => {
    e.preventDefault();
    said.textContent = "";
    try {
      state.session = await ask("POST", "/api/session", {}, { headers: { Authorization: "Bearer " + token.value.trim() } });
      state.locked = false;
      form.remove();
      changed("session");
      await begin();
      if (shown && shown.end) shown.end(); // what was refused is asked for again; what was typed for a run is kept
      shown = null;
      show();
    } catch (e) {
      said.textContent = e instanceof Refusal && e.status === 401 ? "This token is not known here." : words(e);
      token.select();
    }
  } },
    h("h1", {}, "Sign in"), h("p", {}, "This daemon wants a token. ", h("code", {}, "fourwire token NAME --role operator"), " makes one."),
    h("input", { type: "text", autocomplete: "username", value: "fourwire", hidden: true, readonly: true, "aria-hidden": "true" }), h("p", { class: "field" }, h("label", { for: "token" }, "Token"), token), said, h("p", {}, h("button", { type: "submit" }, "Sign in")));
  for (const c of main.children) c.hidden = true;
  main.prepend(form);
  document.title = "Sign in – fourwire";
  token.focus();
}

function around() {
  const b = state.bench;
  document.getElementById("bench-name").textContent = b ? state.lab && state.lab.hub ? "hub of the lab" : (b.title || b.name) + (b.simulated ? " (simulated)" : "") : "";
  document.getElementById("to-lab").hidden = !(state.lab && state.lab.joined);
  document.querySelector("nav [data-page=bench]").hidden = !!(state.lab && state.lab.hub);
  if (state.lab && state.lab.hub && route().page === "bench" && !state.locked) location.replace("#/lab");
  const who = document.getElementById("who");
  if (!state.session) fill(who);
  else fill(who, state.access === "open" ? "" : [`${state.session.name}, ${state.session.role} `, h("button", { type: "button", class: "quiet", onclick: async () => {
    try {
      await ask("DELETE", "/api/session");
    } finally {
      state.locked = true;
      state.session = null;
      stream.stop();
      changed("session");
    }
  } }, "Sign out")]);
  const link = document.getElementById("link");
  if (!state.link.up) {
    link.className = "grave";
    fill(link, h("strong", {}, `The daemon has not answered since ${when(state.link.since)}. `), "What this page shows is what was known then. Runs have guardians of their own that switch outputs off when they cannot go on; ",
      h("strong", {}, "whether outputs are off is not known here"), ". Trying again…");
  } else if (!state.stream && !state.locked) {
    link.className = "";
    fill(link, "The live view is broken off and is being opened again; what is shown may be late. “Outputs off” works all the same.");
  } else {
    link.className = "";
    fill(link);
  }
  if (state.locked) signIn();
}

document.getElementById("skip").addEventListener("click", e => {
  e.preventDefault();
  main.focus();
});
addEventListener("hashchange", show);
watch(around);
startSwitch();
around();
show();
begin();
