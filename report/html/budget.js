// Shows what the uncertainty of a chosen point consists of, beneath the picture or the table in which it was chosen.
data => {
  const panel = document.getElementById("chosen"), part = name => panel.querySelector(name);
  const points = new Map(data.points.map(p => [p.n, p]));
  let point = null, name = "";

  const shareText = x => x <= 0 ? "0 %" : x < 0.001 ? "below 0.1 %" : (100 * x < 9.95 ? (100 * x).toFixed(1) : (100 * x).toFixed(0)) + " %";

  function element(kind, text, style) {
    const e = document.createElement(kind);
    e.textContent = text;
    if (style) e.className = style;
    return e;
  }
  function groupRow(body, text, small, share) {
    const row = body.insertRow(), head = element("th", text);
    row.className = "from";
    head.colSpan = 2;
    head.scope = "rowgroup";
    if (small) head.append(" ", element("small", small));
    row.append(head, element("td", shareText(share)));
  }
  function show() {
    const value = point.v.find(v => data.names[v.i] === name) || point.v[0];
    name = data.names[value.i];
    part("h3").replaceChildren(element("code", name), ` at point ${point.n}`);
    part(".value").replaceChildren(element("strong", value.t), " ", element("span", point.at));
    const body = panel.querySelector("tbody"), groups = new Map();
    body.replaceChildren();
    for (const [input, share] of value.p) {
      const [from, what, values] = data.inputs[input];
      if (!groups.has(from)) groups.set(from, { values, sum: 0, parts: [] });
      const g = groups.get(from);
      g.sum += share;
      g.parts.push([what, share]);
    }
    for (const [from, g] of [...groups].sort((a, b) => b[1].sum - a[1].sum)) {
      groupRow(body, from, g.values, g.sum);
      for (const [what, share] of g.parts) {
        const row = body.insertRow(), bar = element("td", "", "bar"), length = element("span", "");
        length.style.width = (100 * share).toFixed(1) + "%";
        bar.append(length);
        row.append(element("td", what), bar, element("td", shareText(share)));
      }
    }
    if (value.r) groupRow(body, value.r[0] + " more", "", value.r[1]);
    part(".notes").textContent = (point.notes || []).join("; ");
    part(".pick").replaceChildren(...point.v.map(v => {
      const button = element("button", data.names[v.i]);
      button.type = "button";
      button.setAttribute("aria-pressed", data.names[v.i] === name);
      button.addEventListener("click", () => {
        name = data.names[v.i];
        show();
        [...part(".pick").children].find(b => b.textContent === name).focus();
      });
      return button;
    }));
  }
  function choose(number, wanted, after) {
    const found = points.get(number);
    if (!found) return;
    point = found;
    name = wanted || name;
    show();
    after.after(panel);
    panel.hidden = false;
    for (const row of document.querySelectorAll(".points tr.chosen")) row.classList.remove("chosen");
    const row = document.getElementById("p" + number);
    if (row) row.classList.add("chosen");
    panel.scrollIntoView({ block: "nearest" });
  }

  for (const figure of document.querySelectorAll("figure")) {
    figure.classList.add("look");
    figure.addEventListener("choose", event => choose(event.detail, figure.dataset.y, figure.querySelector(".plot")));
  }
  const table = document.querySelector(".points");
  if (!table) return;
  const frame = table.closest(".scroll"), rows = [...table.tBodies[0].rows].filter(r => points.has(Number(r.id.slice(1))));
  frame.classList.add("look");
  frame.removeAttribute("tabindex"); // the rows can be reached instead
  rows.forEach((row, i) => {
    row.tabIndex = i ? -1 : 0;
    row.addEventListener("click", () => {
      if (getSelection().isCollapsed) choose(Number(row.id.slice(1)), "", frame);
    });
    row.addEventListener("keydown", event => {
      const to = { ArrowDown: i + 1, ArrowUp: i - 1, Home: 0, End: rows.length - 1 }[event.key];
      if (event.key === "Enter" || event.key === " ") choose(Number(row.id.slice(1)), "", frame);
      else if (to === undefined) return;
      else if (rows[to]) {
        row.tabIndex = -1;
        rows[to].tabIndex = 0;
        rows[to].focus();
      }
      event.preventDefault();
    });
  });
}
