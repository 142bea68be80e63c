"use strict";
// Lets a reader look values up: hover or arrow keys over a picture, check boxes in its legend. The page is whole without it.
(() => {
  document.documentElement.classList.add("live");
  for (const figure of document.querySelectorAll("figure")) {
    const plot = figure.querySelector(".plot");
    if (plot) liven(figure, plot);
  }

  function liven(figure, plot) {
    const tip = plot.querySelector(".tip"), read = figure.querySelector(".read");
    const pictures = [...plot.querySelectorAll("svg")].map(svg => {
      const ring = document.createElementNS("http://www.w3.org/2000/svg", "circle");
      ring.setAttribute("class", "ring");
      ring.setAttribute("r", "8");
      ring.style.display = "none";
      svg.append(ring);
      const lines = [...svg.querySelectorAll(".line")].map(group => ({
        group,
        marks: [...group.querySelectorAll(".mark")].map(path => {
          const title = path.querySelector("title"), [x, y] = path.dataset.at.split(" ").map(Number);
          const mark = { x, y, text: title.textContent, point: Number(path.dataset.point) };
          title.remove(); // or the browser's own tip would cover ours
          return mark;
        }),
      }));
      return { svg, ring, lines };
    });
    const shown = () => pictures.find(p => p.svg.getBoundingClientRect().width > 0);
    const visible = picture => picture.lines.filter(l => !l.group.classList.contains("off") && l.marks.length);
    let line = 0, at = -1;

    function show(picture, mark, aloud) {
      const box = picture.svg.getBoundingClientRect(), frame = plot.getBoundingClientRect();
      const k = box.width / picture.svg.viewBox.baseVal.width;
      picture.ring.setAttribute("cx", mark.x);
      picture.ring.setAttribute("cy", mark.y);
      picture.ring.style.display = "";
      tip.textContent = mark.text;
      tip.hidden = false;
      const x = box.left - frame.left + mark.x * k, y = box.top - frame.top + mark.y * k;
      const left = x + 14 + tip.offsetWidth > frame.width ? x - 14 - tip.offsetWidth : x + 14;
      tip.style.left = Math.max(0, left) + "px";
      tip.style.top = Math.max(0, Math.min(y - tip.offsetHeight / 2, frame.height - tip.offsetHeight)) + "px";
      if (aloud) read.textContent = mark.text.replaceAll("\n", ", ");
    }
    function hide() {
      tip.hidden = true;
      for (const p of pictures) p.ring.style.display = "none";
    }

    plot.tabIndex = 0;
    plot.setAttribute("role", "group");
    plot.setAttribute("aria-label", "Picture; left and right arrow keys go from point to point, up and down from line to line, Enter shows what the uncertainty consists of");
    const choose = mark => figure.dispatchEvent(new CustomEvent("choose", { detail: mark.point }));
    function nearestTo(event) {
      const picture = shown();
      if (!picture) return [null, null];
      const box = picture.svg.getBoundingClientRect(), k = box.width / picture.svg.viewBox.baseVal.width;
      const x = (event.clientX - box.left) / k, y = (event.clientY - box.top) / k;
      let best = null, nearest = 40 * 40;
      for (const l of visible(picture)) for (const m of l.marks) {
        const far = (m.x - x) ** 2 + (m.y - y) ** 2;
        if (far < nearest) [best, nearest] = [m, far];
      }
      return [picture, best];
    }
    plot.addEventListener("pointermove", event => {
      const [picture, mark] = nearestTo(event);
      mark ? show(picture, mark, false) : hide();
    });
    plot.addEventListener("click", event => {
      const [, mark] = nearestTo(event);
      if (mark) choose(mark);
    });
    plot.addEventListener("pointerleave", hide);
    plot.addEventListener("blur", hide);
    plot.addEventListener("keydown", event => {
      const picture = shown(), lines = picture ? visible(picture) : [];
      if (!lines.length) return;
      if (event.key === "Escape") return hide();
      if (event.key === "Enter" && at >= 0) {
        event.preventDefault();
        return choose(lines[Math.min(line, lines.length - 1)].marks[at]);
      }
      const step = { ArrowRight: [0, 1], ArrowLeft: [0, -1], ArrowDown: [1, 0], ArrowUp: [-1, 0], Home: [0, -1e9], End: [0, 1e9] }[event.key];
      if (!step) return;
      event.preventDefault();
      line = (Math.min(line, lines.length - 1) + step[0] + lines.length) % lines.length;
      at = Math.max(0, Math.min(at + step[1], lines[line].marks.length - 1));
      show(picture, lines[line].marks[at], true);
    });
    for (const box of figure.querySelectorAll(".legend input")) {
      box.addEventListener("change", () => {
        for (const p of pictures) for (const l of p.lines)
          if (l.group.dataset.line === box.dataset.line) l.group.classList.toggle("off", !box.checked);
        hide();
      });
    }
  }
})();
