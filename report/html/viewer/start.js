// Every trace of a page gets its viewer.
for (const figure of document.querySelectorAll("figure.trace")) {
  const data = figure.querySelector("script[type='application/json']");
  if (data) traceViewer(figure, JSON.parse(data.textContent));
}
