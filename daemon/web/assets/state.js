// What the page knows: the bench, the jobs, the runs that somebody looks at. Filled from the API, kept fresh by events.

import { get, ask, onTrouble, recordPath, pointsOf, Refusal, Away } from "./api.js";
import { Stream } from "./stream.js";

export const state = {
  session: null, // {name, role}; null: not known
  access: "",    // open or token
  locked: false, // a token is wanted
  bench: null,
  lab: null,     // the benches that share their work; null: not known
  jobs: [],      // as the daemon lists them: waiting and running first, then the latest that are over
  next: "",
  runs: new Map(), // by job
  link: { up: true, since: null, why: "" }, // up: answers come; since: when they stopped
  stream: true,
  loaded: false,
};

const watchers = new Set();
const waiting = new Set();
let due = 0;

// watch has a function told what has changed: a set of words like bench, jobs, run, link, session, off. It gives what ends that.
export function watch(f) {
  watchers.add(f);
  return () => watchers.delete(f);
}

// changed tells the watchers, some times a second at most.
export function changed(...what) {
  for (const w of what) waiting.add(w);
  if (due) return;
  due = setTimeout(() => {
    due = 0;
    const now = new Set(waiting);
    waiting.clear();
    for (const f of [...watchers]) {
      try {
        f(now);
      } catch (e) { // what one part of the page cannot show keeps no other from being shown
        console.error(e);
      }
    }
  }, 80);
}

export const may = role => {
  const order = { viewer: 1, operator: 2, admin: 3 };
  return !!state.session && order[state.session.role] >= order[role];
};

// refusedTo says why somebody may not do something; empty where they may.
export function refusedTo(role = "operator") {
  if (!state.session) return "sign in first";
  return may(role) ? "" : `${state.session.name} is a ${state.session.role}; this takes an ${role}`;
}

onTrouble(e => {
  if (e instanceof Refusal && e.status === 401) {
    if (!state.locked) {
      state.locked = true;
      state.session = null;
      stream.stop();
      changed("session");
    }
    return;
  }
  const up = !(e instanceof Away);
  if (up !== state.link.up) {
    state.link = { up, since: up ? null : new Date(), why: up ? "" : e.message };
    changed("link");
  }
});

export const stream = new Stream(take, up => {
  state.stream = up;
  changed("link");
  if (up && !stream.last) load();
  if (!up) ping();
  else if (!state.link.up) ping();
});

let pinging = 0;

// ping asks whether the daemon answers, until it does.
async function ping() {
  if (pinging) return;
  pinging = 1;
  try {
    await ask("GET", "/api/health", undefined, { within: 4000 });
    pinging = 0;
    if (!state.locked && !state.bench) load();
  } catch {
    setTimeout(() => {
      pinging = 0;
      ping();
    }, 1500);
  }
}

// begin finds out who is asking, loads everything, and watches.
export async function begin() {
  try {
    const alive = await get("/api/health");
    state.access = alive.access;
    state.session = await get("/api/session");
    state.locked = false;
  } catch (e) {
    if (!(e instanceof Refusal && e.status === 401)) setTimeout(begin, 1500);
    changed("session", "link");
    return;
  }
  changed("session");
  await load();
  stream.start();
}

// load loads everything anew.
export async function load() {
  try {
    const [bench, jobs, lab] = await Promise.all([get("/api/bench"), get("/api/jobs", { limit: 50 }), get("/api/lab")]);
    state.bench = bench;
    state.lab = lab;
    state.jobs = jobs.jobs;
    state.next = jobs.next || "";
    state.loaded = true;
    for (const run of state.runs.values()) run.stale = true;
    changed("bench", "jobs", "run", "off", "lab");
  } catch (e) {
    if (!(e instanceof Refusal && e.status === 401)) ping();
  }
}

// lookAtLab keeps what is known of the lab fresh: a hub has no bench of its own to say whether outputs are on.
async function lookAtLab() {
  try {
    if (state.lab && state.lab.hub && !document.hidden && !state.locked) {
      state.lab = await get("/api/lab");
      changed("lab");
    }
  } catch { /* the link says it */ }
  setTimeout(lookAtLab, 4000);
}
lookAtLab();

let listing = 0;

// list asks for the jobs again in a moment: which comes first only the daemon knows.
function list() {
  if (listing) return;
  listing = setTimeout(async () => {
    listing = 0;
    try {
      const jobs = await get("/api/jobs", { limit: 50 });
      state.jobs = jobs.jobs;
      state.next = jobs.next || "";
      changed("jobs");
    } catch { /* the link says it */ }
  }, 300);
}

function take(event) {
  if (!state.link.up) {
    state.link = { up: true, since: null, why: "" };
    changed("link");
  }
  const run = event.job && state.runs.get(event.job);
  switch (event.kind) {
    case "reset":
      load();
      break;
    case "bench":
      state.bench = event.bench;
      changed("bench");
      break;
    case "off":
      if (state.bench) state.bench.last_off = event.off;
      changed("bench", "off");
      break;
    case "job": {
      const at = state.jobs.findIndex(j => j.id === event.state.id), before = at < 0 ? null : state.jobs[at];
      if (at >= 0) state.jobs[at] = event.state;
      if (!before || before.state !== event.state.state) list();
      if (run) run.job = event.state;
      changed("jobs", "run");
      break;
    }
    case "point":
      if (run) {
        addPoint(run, event.point);
        if (run.job) run.job.points = Math.max(run.job.points, event.point.n);
      }
      for (const j of state.jobs) if (j.id === event.job) j.points = Math.max(j.points, event.point.n);
      changed("run", "points");
      break;
    case "log":
      if (run && !(event.level === "info" && / pass$/.test(event.text))) { // verdicts stand beside it
        run.log.push({ time: event.time, level: event.level, text: event.text });
        if (run.log.length > 300) run.log.splice(0, run.log.length - 300);
      }
      for (const j of state.jobs) if (j.id === event.job) j.progress = event.text;
      changed("run");
      break;
  }
}

function addPoint(run, p) {
  if (run.numbers.has(p.n)) return;
  run.numbers.add(p.n);
  run.points.push(p);
  if (run.points.length > 1 && run.points.at(-2).n > p.n) run.points.sort((a, b) => a.n - b.n);
}

// runOf is the run of a job, to be filled by follow.
export function runOf(id) {
  if (!state.runs.has(id)) state.runs.set(id, { id, job: state.jobs.find(j => j.id === id) || null, record: null, points: [], numbers: new Set(), log: [], stale: true, asked: 0, problem: "" });
  return state.runs.get(id);
}

// follow brings a run up to date: its job, its record as far as it is there, its points.
export async function follow(run) {
  if (run.busy) return;
  run.busy = true;
  const begun = Date.now();
  try {
    if (run.stale || !run.job) run.job = await get("/api/jobs/" + encodeURIComponent(run.id));
    if (run.job.record && run.of !== run.job.record) {
      run.of = run.job.record;
      run.points = [];
      run.numbers = new Set();
      run.stale = true;
    }
    if (run.of && (over(run.job) || run.job.points > 0 || run.log.length)) { // before that its folder may not be there yet
      run.record = await get(recordPath(run.of));
      if (run.stale || run.points.length < run.record.points) {
        const after = run.stale ? 0 : contiguous(run);
        for (const p of await pointsOf(run.of, after)) addPoint(run, p);
      }
    }
    run.stale = false;
    run.problem = "";
  } catch (e) {
    run.problem = e instanceof Refusal && e.status === 404 ? (run.job ? "" : "there is no such job") : e.message;
  }
  run.busy = false;
  run.asked = Date.now();
  run.rest = Math.max(1500, 20 * (run.asked - begun)); // a large record is not asked for all the time
  changed("run", "points");
}

function contiguous(run) {
  let n = 0;
  while (run.numbers.has(n + 1)) n++;
  return n;
}

export const over = j => ["done", "failed", "interrupted", "cancelled"].includes(j.state);
export const active = j => j.state === "running" || j.state === "starting";
