// The history: search, and picking records to compare.

import { h, fill } from "./dom.js";
import { get, words } from "./api.js";
import { state, watch } from "./state.js";
import { chip } from "./jobs.js";
import { when, lasting, count } from "./format.js";

const blank = { q: "", outcome: "", sequence: "", from: "", to: "" };
const picked = new Map(); // id to when it ended: the earliest is what the others are held against; kept while the page is open

export function historyView(view, _, query) {
  const asked = { ...blank };
  for (const name of Object.keys(blank)) asked[name] = query.get(name) || "";
  let found = [], total = null, next = "", wrong = "", turn = 0, gone = false, timer = 0;
  const list = h("div", { "data-keep": "" }), names = h("datalist", { id: "sequence-names" });

  const input = (name, label, props) => h("p", { class: "field" }, h("label", { for: "h-" + name }, label), h("input", { id: "h-" + name, value: asked[name], autocomplete: "off", ...props, oninput: e => {
    asked[name] = e.target.value;
    clearTimeout(timer);
    timer = setTimeout(search, 300);
  } }));
  view.append(h("h1", {}, "History"),
    h("form", { role: "search", class: "rows", onsubmit: e => {
      e.preventDefault();
      search();
    } },
      input("q", "Words", { type: "search", placeholder: "title, bench, device, who", size: 26 }),
      h("p", { class: "field" }, h("label", { for: "h-outcome" }, "Outcome"), h("select", { id: "h-outcome", onchange: e => {
        asked.outcome = e.target.value;
        search();
      } }, ["", "pass", "fail", "undecided", "not judged"].map(o => h("option", { value: o, selected: o === asked.outcome }, o || "any")))),
      input("sequence", "Sequence", { list: "sequence-names", size: 17, placeholder: "any" }), names,
      input("from", "From", { type: "date" }), input("to", "To (that day included)", { type: "date" })), list);
  get("/api/sequences").then(all => fill(names, all.sequences.map(q => h("option", { value: q.name.split("/").at(-1) }, q.title)))).catch(() => {});

  const day = (text, more) => {
    const t = new Date(text + "T00:00");
    if (!text || isNaN(t)) return "";
    t.setDate(t.getDate() + more);
    return t.toISOString();
  };

  async function search(more) {
    const mine = ++turn, after = more === true ? next : "";
    try {
      const page = await get("/api/records", { q: asked.q.trim(), outcome: asked.outcome, sequence: asked.sequence.trim(), from: day(asked.from, 0), to: day(asked.to, 1), limit: 50, after });
      if (mine !== turn || gone || !location.hash.startsWith("#/history")) return; // somebody is on the way elsewhere
      found = after ? [...found, ...page.records] : page.records;
      [total, next, wrong] = [page.total, page.next || "", ""];
      const q = new URLSearchParams(Object.entries(asked).filter(([, v]) => v)).toString();
      history.replaceState(null, "", "#/history" + (q ? "?" + q : ""));
    } catch (e) {
      if (mine === turn) wrong = words(e);
    }
    if (!gone) draw();
  }

  function pick(r, on) {
    on ? picked.set(r.id, new Date(r.filed)) : picked.delete(r.id);
    draw();
  }

  function draw() {
    const ids = [...picked.keys()].sort((a, b) => picked.get(a) - picked.get(b)), link = ids.map(encodeURIComponent).join(",");
    fill(list,
      h("p", { class: "wrong", role: "alert" }, wrong),
      h("p", { role: "status", class: "remark" }, total === null ? "Searching…" : total ? `${total >= 10000 ? "10 000 or more" : count(total, "record")}, latest first.` : "No record is like this."),
      h("div", { class: "picked", hidden: !ids.length, "data-key": "picked" }, h("p", { class: "inline" }, h("span", {}, `${ids.length} picked: `), ids.length > 1 ? h("a", { class: "button", href: "#/compare/" + link }, "Compare") : h("span", { class: "remark" }, "pick another one to compare."),
        ids.length > 2 ? h("a", { class: "button", href: "#/drift/" + link }, "Over time") : "", h("button", { type: "button", class: "quiet", onclick: () => {
          picked.clear();
          draw();
        } }, "Drop them"))),
      found.length ? h("table", { class: "folding records", "data-key": "records" }, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, h("span", { class: "read" }, "Pick")), ["Record", "Outcome", "Points", "Bench", "Ended"].map(t => h("th", { scope: "col" }, t)))),
        h("tbody", {}, found.map(r => h("tr", { "data-key": r.id },
          h("td", { class: "pick" }, h("label", {}, h("input", { type: "checkbox", checked: picked.has(r.id), onchange: e => pick(r, e.target.checked) }), h("span", { class: "read" }, `Pick ${r.title}, ended ${when(r.filed)}`))),
          h("th", { scope: "row" }, h("a", { href: "#/record/" + encodeURIComponent(r.id) }, r.title), h("small", {}, [r.device && "device " + r.device, r.settings && r.settings.join("; "), r.sequence, r.operator].filter(Boolean).join(" · "))),
          h("td", { "data-label": "Outcome" }, r.finished ? chip(r.outcome) : h("span", { class: "verdict undecided" }, "unfinished"), r.reason && r.finished ? h("small", { class: "why" }, r.reason) : ""),
          h("td", { "data-label": "Points" }, String(r.points)),
          h("td", { "data-label": "Bench" }, r.bench || "", r.simulated ? h("small", { class: "why" }, "simulated") : ""),
          h("td", { "data-label": "Ended" }, when(r.filed), h("small", { class: "why" }, "took " + lasting(r.duration_s))))))) : "",
      next ? h("p", {}, h("button", { type: "button", "data-key": "more", onclick: () => search(true) }, "Show older ones")) : "");
    for (const box of list.querySelectorAll(".pick input")) box.checked = picked.has(box.closest("tr").dataset.key);
  }
  draw();
  search();
  let ended = state.jobs.filter(j => j.outcome).length;
  const end = watch(what => {
    const now = state.jobs.filter(j => j.outcome).length;
    if (what.has("jobs") && now !== ended) {
      ended = now;
      if (found.length <= 50) search();
    }
  });
  return { end() {
    gone = true;
    clearTimeout(timer);
    end();
  } };
}
