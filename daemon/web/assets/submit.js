// A new run: a sequence, its parameters, when; and what would become of it before anybody sends it.

import { h, fill } from "./dom.js";
import { get, post, words, Refusal, capital } from "./api.js";
import { state, watch, refusedTo } from "./state.js";
import { setting, brief, fieldOf, told, otherField } from "./setting.js";
import { lasting, count } from "./format.js";

// typed is what was typed, by sequence: nothing is lost when somebody looks elsewhere meanwhile.
const typed = new Map();

export function submitView(view, [name]) {
  const list = h("div", {}), form = h("div", {});
  view.append(h("h1", {}, "New run"), list, form);
  let gone = false, names = [], checking = 0, asked = 0;

  (async () => {
    try {
      const all = (await get("/api/sequences")).sequences;
      if (gone) return;
      if (!name && all.length === 1) name = all[0].name;
      const rank = { fits: 0, tight: 1, "does not fit": 2, wrong: 3 };
      const choose = h("select", { id: "sequence", onchange: e => location.hash = "#/new/" + encodeURIComponent(e.target.value) },
        h("option", { value: "" }, all.length ? "choose one" : "the sequences folder is empty"),
        [...all].sort((a, b) => (rank[a.fit] ?? 0) - (rank[b.fit] ?? 0)).map(q => h("option", { value: q.name, selected: q.name === name }, `${q.title || q.name}${rank[q.fit] > 1 ? " – " + (q.fit === "wrong" ? "has mistakes" : q.fit) : ""}`)));
      fill(list, h("p", { class: "field" }, h("label", { for: "sequence" }, "Sequence"), choose));
      if (name) await show(await get("/api/sequences/" + name.split("/").map(encodeURIComponent).join("/")));
    } catch (e) {
      fill(form, h("p", { class: "wrong", role: "alert" }, words(e)));
    }
  })();

  function field(id, label, about, input, unit) {
    input.id = id;
    input.setAttribute("aria-describedby", id + "-about " + id + "-wrong");
    return h("div", { class: "field", "data-field": id }, h("label", { for: id }, label), input, h("p", { class: "remark", id: id + "-about" }, about), h("p", { class: "wrong", id: id + "-wrong" }));
  }

  async function show(q) {
    if (gone) return;
    names = q.params.map(p => p.name);
    const kept = typed.get(q.name) || {};
    typed.set(q.name, kept);
    const input = (id, props = {}) => h("input", { value: kept[id] || "", autocomplete: "off", spellcheck: "false", ...props, oninput: e => {
      kept[id] = e.target.value;
      later(q);
    } });
    fill(form, h("form", { id: "submit", novalidate: true, onsubmit: e => {
      e.preventDefault();
      send(q);
    } },
      q.about ? h("p", { class: "about" }, q.about) : "",
      h("p", { class: "remark" }, "Takes a ", q.needs.map((n, i) => [i ? "; " : "", `${n.role} at ${n.node}`, n.volts || n.amps ? ` (${[n.volts, n.amps].filter(Boolean).join(", ")})` : ""])),
      h("fieldset", {}, h("legend", {}, "Parameters"), q.params.length ? q.params.map(p => field("set-" + p.name, p.name, [p.about ? p.about + ". " : "", "Else: " + brief(p.values)], input("set-" + p.name, { placeholder: brief(p.values), size: 44 }))) : h("p", {}, "This sequence has none."),
        q.params.length ? h("p", { class: "remark" }, "A value with its unit, several by commas (9 V, 12 V), or a range (50 mA to 3 A, 8 points, log). What is left empty is as the sequence has it.") : ""),
      state.lab && state.lab.joined ? h("fieldset", {}, h("legend", {}, "Where"), field("bench", "Bench", "any: the first that fits", h("select", { onchange: e => {
        kept.bench = e.target.value;
        later(q);
      } }, [...(state.lab.hub ? [] : [["", "this bench"]]), ["any", "any that fits"], ...state.lab.members.filter(m => !m.hub && m.name !== state.lab.name).map(m => [m.name, m.name])].map(([v, t]) => h("option", { value: v, selected: (kept.bench || "") === v }, t))))) : "",
      h("fieldset", { class: "rows" }, h("legend", {}, "Device under test"), field("device", "Serial number", "kept in the record; the same device over weeks is found by it", input("device", { size: 26, maxlength: 80 }))),
      h("fieldset", { class: "rows" }, h("legend", {}, "When"),
        field("priority", "Priority", "−100 to 100; higher goes first", input("priority", { inputmode: "numeric", size: 6, placeholder: "0" })),
        field("at", "Not before", "by the clock of this computer", input("at", { type: "datetime-local" })),
        field("every", "Every", "again and again, as in 6 h", input("every", { size: 8, placeholder: "once" })),
        field("attempts", "Runs in all", "where the bench was at fault; 1: no second one", input("attempts", { inputmode: "numeric", size: 4, placeholder: "1" }))),
      h("details", {}, h("summary", {}, "More"), h("div", { class: "rows" },
        field("acknowledge", "Takes note of dangerous voltages", "name, where the sequence asks for it", input("acknowledge")),
        field("accept_fit", "Accept a misfit because", "of those that can only spoil results", input("accept_fit")),
        h("p", { class: "field" }, h("label", {}, h("input", { type: "checkbox", id: "no_hookup", checked: !!kept.no_hookup, onchange: e => kept.no_hookup = e.target.checked }), " Leave the hook-up check of the day out")))),
      h("section", { class: "forecast", "aria-live": "polite", "aria-label": "What would become of it", id: "forecast" }),
      h("p", { class: "wrong", role: "alert", id: "form-wrong" }), h("div", { id: "form-notes", role: "status" }),
      h("p", { class: "inline" }, h("button", { type: "submit", class: "main", id: "send" }, "Submit"), h("span", { class: "remark", id: "send-why" }))));
    forecast(q);
    if (Object.values(kept).some(Boolean)) check(q);
    allowed();
  }

  const typedBench = () => (typed.get(name) || {}).bench || "";
  function allowed() {
    const button = document.getElementById("send");
    if (!button) return;
    const why = refusedTo(), b = state.bench;
    button.setAttribute("aria-disabled", why ? "true" : "false");
    document.getElementById("send-why").textContent = why ? `Not for you: ${why}.` : b && !b.armed && !(state.lab && state.lab.hub) && !typedBench() ? "The bench is not armed: it will wait until somebody arms it." : "";
  }

  function submission(q) {
    const k = typed.get(q.name), s = { sequence: q.name, set: {} };
    for (const n of names) if ((k["set-" + n] || "").trim()) s.set[n] = setting(k["set-" + n]);
    const number = id => (k[id] || "").trim().replace("−", "-");
    if (number("priority")) s.priority = Number(number("priority"));
    if (k.bench) s.bench = k.bench;
    if (k.at) s.at = new Date(k.at).toISOString();
    if ((k.every || "").trim()) s.every = k.every.trim();
    if (number("attempts")) s.retry = { attempts: Number(number("attempts")) };
    for (const id of ["device", "acknowledge", "accept_fit"]) if ((k[id] || "").trim()) s[id] = k[id].trim();
    if (k.no_hookup) s.no_hookup = true;
    for (const [id, v] of [["priority", s.priority], ["attempts", s.retry && s.retry.attempts]]) if (v !== undefined && !Number.isInteger(v)) throw Object.assign(new Error("a whole number is wanted"), { field: id });
    return s;
  }

  function later(q) {
    clearTimeout(checking);
    checking = setTimeout(() => check(q), 350);
  }

  async function check(q) {
    const mine = ++asked;
    let s;
    try {
      s = submission(q);
    } catch (e) {
      return wrongs([], { [e.field]: e.message });
    }
    if (refusedTo()) return;
    try {
      const found = await post("/api/check", s);
      if (mine !== asked || gone) return;
      wrongs(found.findings || []);
      forecast(found);
    } catch (e) {
      if (mine === asked && !gone) refused(e);
    }
  }

  function refused(e) {
    const id = e instanceof Refusal && e.status === 422 && !e.findings.length ? otherField(e.message) : "";
    wrongs(e.findings || [], id ? { [id]: capital(e.message) } : {});
    if (!id && !(e.findings || []).length) document.getElementById("form-wrong").textContent = words(e);
  }

  // wrongs puts findings beside the fields that they are about, and the others above the button.
  function wrongs(findings, more = {}) {
    const by = { ...more }, rest = [], notes = [];
    for (const f of findings) {
      const id = fieldOf(f, names), text = capital(told(f)) + (f.hint ? `. ${capital(f.hint)}` : "");
      if (id && f.level !== "warning") by["set-" + id] = (by["set-" + id] ? by["set-" + id] + " " : "") + text + ".";
      else (f.level === "warning" ? notes : rest).push(text + (f.line ? ` (line ${f.line})` : "") + ".");
    }
    for (const place of form.querySelectorAll("[data-field]")) {
      const id = place.dataset.field, input = document.getElementById(id);
      document.getElementById(id + "-wrong").textContent = by[id] || "";
      by[id] ? input.setAttribute("aria-invalid", "true") : input.removeAttribute("aria-invalid");
    }
    document.getElementById("form-wrong").textContent = rest.join(" ");
    fill(document.getElementById("form-notes"), notes.map(n => h("p", { class: "note" }, n)));
    return Object.keys(by)[0];
  }

  const fits = { fits: ["pass", "✓", "the bench serves it"], tight: ["undecided", "!", "the bench serves it, with little margin"], "does not fit": ["fail", "✗", "the bench does not serve it"], wrong: ["fail", "✗", "something in it is wrong"] };
  function forecast(q) {
    const place = document.getElementById("forecast");
    if (!place) return;
    if (!q.fit) return fill(place, h("p", {}, "This daemon has no bench. Which bench serves it, with how many points and in what time, is found out by the bench that takes it."));
    const [kind, mark, text] = fits[q.fit] || fits.fits;
    fill(place, h("p", {}, h("span", { class: "verdict " + kind }, h("span", { "aria-hidden": "true" }, mark), " " + q.fit), ` ${capital(text)}.`),
      q.fit === "wrong" ? "" : h("p", {}, `${count(q.planned, "point")}, about `, h("strong", {}, lasting(q.predicted_s)), q.instruments.length ? ` with ${q.instruments.join(", ")}.` : "."));
    if (q.findings && q.findings.length && !Object.values(typed.get(q.name) || {}).some(Boolean)) wrongs(q.findings);
  }

  let sending = false;
  async function send(q) {
    const why = refusedTo();
    if (why || sending) return;
    let s;
    try {
      s = submission(q);
    } catch (e) {
      wrongs([], { [e.field]: e.message });
      return document.getElementById(e.field).focus();
    }
    sending = true;
    document.getElementById("send").setAttribute("aria-busy", "true");
    try {
      const job = await post("/api/jobs", s);
      state.jobs.unshift(job);
      location.hash = "#/job/" + job.id;
    } catch (e) {
      refused(e);
      const first = form.querySelector("[aria-invalid=true]");
      if (first) first.focus();
    }
    sending = false;
    document.getElementById("send")?.removeAttribute("aria-busy");
  }

  const end = watch(what => (what.has("session") || what.has("bench")) && allowed());
  return { end() {
    gone = true;
    clearTimeout(checking);
    end();
  } };
}
