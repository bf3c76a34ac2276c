// The tables, and choosing on the map and in them. All text from the data is set as text, never as
// markup.
"use strict";

function addTables(page) {
  const { data, show, state, drawn, map, answers } = page;

  // What a check says in words, with the weight of a finding.
  const WEIGHTS = { "too flat": "fail", "not reachable": "fail", "cannot tell": "warn", "too narrow to tell": "warn" };

  // Lines of both systems may have one name.
  const SCENARIOS = { lines_today: "today" };

  // A name of more letters may be broken anywhere: the numbers beside it must stay in sight.
  const LONG = 14;

  function choose(key, name, move = false, scenario = undefined) {
    document.querySelectorAll("tr.chosen").forEach((row) => row.classList.remove("chosen"));
    document.querySelectorAll("tr.in-section").forEach((row) => row.remove());
    const row = [...document.querySelectorAll(`tr[data-layer="${CSS.escape(key)}"]`)].find((one) => one.dataset.name === String(name));
    if (row) {
      row.classList.add("chosen");
      // of folded tables the first is opened only by who reads them
      if (!move && row.closest("details").open) page.reveal(row);
    }
    if (!move) return;
    page.closeTips(); // without a mouse nothing else closes the last one
    const layer = drawn.get(key);
    const shapes = layer?.rows.get(String(name)) ?? [];
    if (!shapes.length) return;
    if (!map.hasLayer(layer.group)) { layer.group.addTo(map); page.stormLayers(); byId(`layer-${key}`).checked = true; }
    const shape = shapes.find((one) => page.inStorm(one.feature) && (scenario === undefined || one.feature.case === scenario)) ?? shapes[0];
    if (row && shape.feature.course) {
      row.after(element("tr", { class: "in-section" }, element("td", { colspan: String(row.cells.length) })));
      row.nextSibling.cells[0].append(page.lineSection(shape.feature));
    }
    if (shape.getBounds) map.fitBounds(shape.getBounds(), { maxZoom: page.closeZoom + 1, padding: [60, 60] }); else map.setView(shape.getLatLng(), Math.max(map.getZoom(), page.closeZoom));
    shape.openTooltip?.();
  }

  // at: [north, east] from the corner of the ground
  function goTo(at) {
    page.closeTips();
    map.setView(at, Math.max(map.getZoom(), page.closeZoom));
    answers.clearLayers();
    answers.addLayer(L.circleMarker(at, { radius: 10, color: "#c25e00", fill: false, weight: 3 }));
  }

  function cellText(value, quantity) {
    // by storm; of two ends of a range it is an array
    const byStorm = value !== null && typeof value === "object" && !Array.isArray(value);
    const own = byStorm ? value[state.storm] ?? null : value;
    return show(own, quantity, state.system);
  }

  function tables() {
    const target = byId("tables");
    const opened = new Set([...target.querySelectorAll("details[open] h2")].map(({ id }) => id));
    target.replaceChildren();
    for (const table of data.tables) {
      const id = `table-${table.key}`;
      const numeric = table.columns.map(([, quantity], n) => n > 0 && quantity !== "text");
      const columns = table.columns.flatMap(([label, quantity], n) => (quantity === "remark" ? [] : [{ label, n }]));
      const head = element("tr", {}, ...columns.map(({ label, n }) => element("th", { text: label, scope: "col", class: numeric[n] ? "number" : "" })));
      const body = element("tbody");
      for (const row of table.rows) body.append(tableRow(table, row, numeric), ...remarks(table, row, columns.length));
      const count = table.rows.length || "none";
      const folded = element("details", {},
        element("summary", {}, element("h2", { text: table.title, id }), element("span", { class: "count", text: `${count}` })),
        ...(table.note ? [element("p", { class: "note", text: table.note })] : []),
        ...(table.key === "lot_line_crossings" && table.rows.length > 10 ? [element("p", { class: "note paper-only", text: "Here the ten to which most drains." })] : []),
        ...(table.rows.length ? [element("div", { class: "scroll", "data-table": id }, element("table", { "aria-labelledby": id }, element("thead", {}, head), body))] : []));
      folded.open = opened.has(id) || table.rows.length === 0;
      folded.addEventListener("toggle", () => scrollable(folded));
      target.append(element("section", table.forSite ? { class: "for-site" } : {}, folded));
      scrollable(folded);
    }
  }

  // A table is a stop of the keyboard only where it has to be moved sideways.
  function scrollable(folded) {
    const box = folded.querySelector(".scroll");
    if (!box || !folded.open || box.scrollWidth <= box.clientWidth) return;
    Object.entries({ tabindex: "0", role: "region", "aria-labelledby": box.dataset.table }).forEach(([name, value]) => box.setAttribute(name, value));
  }

  function tableRow(table, row, numeric) {
    const line = element("tr", { "data-layer": table.layer, "data-name": String(row.name) });
    row.cells.forEach((value, n) => {
      if (table.columns[n][1] === "remark") return;
      const text = cellText(value, table.columns[n][1]);
      const cell = element("td", { class: numeric[n] ? "number" : "" });
      if (n === 0 ? text.length > LONG : text.split(/\s/).some((word) => word.length > LONG)) cell.classList.add("long");
      if (numeric[n] && text.includes(" to ")) cell.classList.add("range");
      const onMap = table.layer && drawn.get(table.layer)?.rows.has(String(row.name));
      if (n === 0 && (onMap || row.place)) {
        const button = element("button", { type: "button", text, title: "Show on the map" });
        button.addEventListener("click", () => (onMap ? choose(table.layer, row.name, true, SCENARIOS[table.key]) : goTo([row.place[1] - data.corner[1], row.place[0] - data.corner[0]])));
        cell.append(button);
      } else cell.textContent = text;
      const weight = table.key === "findings" && n === 0 ? String(value) : WEIGHTS[value];
      if (weight) cell.classList.add(weight);
      line.append(cell);
    });
    return line;
  }

  // A remark has a line of its own below its row: as a column it leaves no room to the numbers.
  function remarks(table, row, width) {
    const told = (n) => cellText(row.cells[n], "text");
    return table.columns.flatMap(([label, quantity], n) => (quantity === "remark" && told(n) !== "–"
      ? [element("tr", { class: "remark" }, element("td", { text: `${label}: ${told(n)}`, colspan: String(width) }))] : []));
  }

  Object.assign(page, { choose, tables, goTo });
}
