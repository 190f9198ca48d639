"use strict";
// The wear map: one stop for Tab, arrow keys within it, and what there is to know of a block below it.
(() => {
  const map = document.getElementById("blocks");
  if (!map) return;
  const cells = [...map.children], told = document.getElementById("block-told");
  const tell = cell => { told.textContent = cell.getAttribute("aria-label"); };
  const columns = () => cells.filter(cell => cell.offsetTop === cells[0].offsetTop).length;
  for (const cell of cells) cell.removeAttribute("title");
  map.addEventListener("pointerover", event => { if (cells.includes(event.target)) tell(event.target); });
  map.addEventListener("focusin", event => {
    for (const cell of cells) cell.tabIndex = cell === event.target ? 0 : -1;
    tell(event.target);
  });
  map.addEventListener("keydown", event => {
    const at = cells.indexOf(event.target);
    const to = { ArrowRight: at + 1, ArrowLeft: at - 1, ArrowDown: at + columns(), ArrowUp: at - columns(), Home: 0, End: cells.length - 1 }[event.key];
    if (to === undefined) return;
    event.preventDefault();
    if (cells[to]) cells[to].focus();
  });
})();
// The charts. Their arrow keys go from point to point of the first line or row of bars. Each is drawn by itself, so that
// the page answers between them, and the library is read in once the page is there.
(() => {
  const source = document.getElementById("drawn");
  if (!source) return;
  const drawn = JSON.parse(source.textContent), charts = [...document.querySelectorAll(".chart")], left = [...charts];
  const settings = { displayModeBar: false, responsive: true, showTips: false };
  const load = () => {
    const library = document.getElementById("library");
    if (!library) return;
    const script = document.createElement("script");
    script.textContent = library.textContent;
    library.replaceWith(script); // runs at once
  };
  const draw = chart => {
    load();
    const { data, layout, points } = drawn[chart.dataset.key];
    chart.classList.add("drawn");
    Plotly.newPlot(chart, data, layout, settings);
    if (!points.length) return;
    const told = chart.parentElement.querySelector(".told");
    let at = -1;
    const go = to => {
      at = Math.max(0, Math.min(points.length - 1, to));
      told.textContent = points[at];
      Plotly.Fx.hover(chart, [{ curveNumber: 0, pointNumber: at }]);
    };
    told.hidden = false;
    told.textContent = "\u00a0";
    chart.tabIndex = 0;
    chart.setAttribute("role", "application");
    chart.setAttribute("aria-roledescription", "chart; the arrow keys go from point to point");
    chart.addEventListener("focus", () => go(Math.max(at, 0)));
    chart.addEventListener("blur", () => Plotly.Fx.unhover(chart));
    chart.addEventListener("keydown", event => {
      const to = { ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: points.length - 1 }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      go(to);
    });
  };
  const drawNext = () => {
    if (left.length) {
      draw(left.shift());
      setTimeout(drawNext);
    } else {
      performance.mark("drawn");
    }
  };
  addEventListener("load", () => setTimeout(drawNext, 50));
  const resize = width => { for (const chart of charts) Plotly.relayout(chart, width ? { width } : { width: null, autosize: true }); };
  addEventListener("beforeprint", () => {
    while (left.length) draw(left.shift());
    for (const one of document.querySelectorAll("details")) { one.dataset.was = one.open; one.open = false; }
    resize(680);
  });
  addEventListener("afterprint", () => {
    for (const one of document.querySelectorAll("details")) one.open = one.dataset.was === "true";
    resize(0);
  });
})();
