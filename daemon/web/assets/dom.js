// Elements, and keeping those that are there: what is drawn anew keeps its focus, its place and what was typed.

const svgSpace = "http://www.w3.org/2000/svg";

// h makes an element. Properties named on… are handlers, true and false set or leave an attribute out, null leaves it out.
// Children are nodes, texts, lists of them, or null.
export function h(kind, props, ...children) {
  return made(document.createElement(kind), props, children);
}

// s does so for pictures.
export function s(kind, props, ...children) {
  return made(document.createElementNS(svgSpace, kind), props, children);
}

function made(e, props, children) {
  for (const [name, value] of Object.entries(props || {})) {
    if (name.startsWith("on")) handle(e, name.slice(2), value);
    else if (name === "value" || name === "checked") e[name] = value;
    else if (value === true) e.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) e.setAttribute(name, value);
  }
  e.append(...children.flat(9).filter(c => c !== null && c !== undefined && c !== false && c !== ""));
  return e;
}

const handlers = Symbol("handlers");

function handle(e, type, act) {
  if (!act) return;
  if (!e[handlers]) e[handlers] = {};
  if (!(type in e[handlers])) e.addEventListener(type, event => e[handlers][type] && e[handlers][type](event));
  e[handlers][type] = act;
}

// fill makes the children of a place what is wanted, with as little change as possible. Elements with the same id or data-key are the
// same; what is below one with data-keep is left alone.
export function fill(place, ...wanted) {
  const list = wanted.flat(9).filter(c => c !== null && c !== undefined && c !== false && c !== "").map(c => c instanceof Node ? c : document.createTextNode(c));
  children(place, list);
}

const keyOf = n => n.nodeType === 1 ? n.id || n.dataset?.key || "" : "";
const alike = (a, b) => a.nodeType === b.nodeType && a.nodeName === b.nodeName && keyOf(a) === keyOf(b);

function children(place, list) {
  const keyed = new Map();
  for (const n of place.childNodes) if (keyOf(n)) keyed.set(keyOf(n), n);
  let at = place.firstChild;
  for (const want of list) {
    const key = keyOf(want), known = key && keyed.get(key);
    if (known && alike(known, want)) {
      if (known === at) at = at.nextSibling;
      else place.insertBefore(known, at);
      become(known, want);
    } else if (!key && at && !keyOf(at) && alike(at, want)) {
      const next = at.nextSibling;
      become(at, want);
      at = next;
    } else place.insertBefore(want, at);
  }
  while (at) {
    const next = at.nextSibling;
    at.remove();
    at = next;
  }
}

function become(now, want) {
  if (now === want) return;
  if (now.nodeType !== 1) {
    if (now.nodeValue !== want.nodeValue) now.nodeValue = want.nodeValue;
    return;
  }
  for (const a of [...now.attributes]) if (!want.hasAttribute(a.name) && !(a.name === "open" && now.nodeName === "DETAILS")) now.removeAttribute(a.name);
  for (const a of want.attributes) if (now.getAttribute(a.name) !== a.value && !(a.name === "open" && now.nodeName === "DETAILS")) now.setAttribute(a.name, a.value);
  for (const type of Object.keys(now[handlers] || {})) now[handlers][type] = null;
  for (const [type, act] of Object.entries(want[handlers] || {})) handle(now, type, act);
  if (now.dataset.keep === undefined) children(now, [...want.childNodes]);
}

// say has something read out when there is a moment for it.
export function say(text) {
  const place = document.getElementById("polite");
  place.textContent = place.textContent === text ? text + "\u00a0" : text;
}
