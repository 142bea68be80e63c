// Asking the daemon, and what it answers when it does not do what it was asked for.

// Refusal is an answer that says no: status, what is wrong, what can be done about it, findings with their places.
export class Refusal extends Error {
  constructor(status, problem) {
    super(problem.detail || problem.title || "the daemon answered with " + status);
    Object.assign(this, { status, hint: problem.hint || "", findings: problem.findings || [] });
  }
}

// Away says that no answer came.
export class Away extends Error {}

const listeners = new Set();

// onTrouble is told each refusal for want of a token, and each answer that came or did not come.
export const onTrouble = f => listeners.add(f);

// ask sends a request and gives the answer as a value. within is in milliseconds.
export async function ask(method, path, body, { within = 20000, headers = {} } = {}) {
  const stop = new AbortController(), timer = setTimeout(() => stop.abort(), within);
  let answer, data = {};
  try {
    const o = { method, signal: stop.signal, headers: { ...headers }, credentials: "same-origin", cache: "no-store" };
    if (method !== "GET") o.headers["Content-Type"] = "application/json";
    if (body !== undefined) o.body = JSON.stringify(body);
    answer = await fetch(path, o);
    const text = await answer.text();
    if (text && (answer.headers.get("Content-Type") || "").includes("json")) data = JSON.parse(text);
  } catch (e) {
    const away = new Away(e.name === "AbortError" ? `no answer within ${Math.round(within / 1000)} s` : "the daemon cannot be reached");
    for (const f of listeners) f(away);
    throw away;
  } finally {
    clearTimeout(timer);
  }
  if (!answer.ok) {
    const refusal = new Refusal(answer.status, data);
    refusal.after = Number(answer.headers.get("Retry-After")) || 0;
    for (const f of listeners) f(refusal);
    throw refusal;
  }
  for (const f of listeners) f(null);
  return data;
}

export const get = (path, query) => ask("GET", path + (query ? "?" + asQuery(query) : ""));
export const post = (path, body, o) => ask("POST", path, body, o);

// asQuery leaves out what is empty.
export function asQuery(query) {
  const q = new URLSearchParams();
  for (const [name, value] of Object.entries(query)) if (value !== "" && value !== null && value !== undefined) q.set(name, value);
  return q.toString();
}

// recordPath is the address of a record.
export const recordPath = id => "/api/records/" + encodeURIComponent(id);

// pointsOf gives the points of a record behind a number, all of them.
export async function pointsOf(id, after = 0) {
  const lot = 10000, all = [];
  for (;;) {
    const page = (await get(recordPath(id) + "/points", { after, limit: lot })).points;
    all.push(...page);
    if (page.length < lot) return all;
    after = page.at(-1).n;
  }
}

// words are what a person reads of an error.
export function words(e) {
  const hint = e.hint ? ` (${e.hint})` : "";
  if (e instanceof Refusal && e.status === 429) return `Too many requests; try again in ${e.after || 1} s.`;
  if (e instanceof Refusal || e instanceof Away) return capital(e.message) + hint + ".";
  return capital(e.message) + ".";
}

export const capital = text => text ? text[0].toUpperCase() + text.slice(1) : text;
