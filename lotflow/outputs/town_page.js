"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const body = document.getElementById("rows"), find = document.getElementById("find");
  const more = document.getElementById("more"), count = document.getElementById("count");
  const heads = [...document.querySelectorAll("thead th")], STEP = 200;
  const paths = new Map([...document.querySelectorAll("#lots path")].map((path) => [Number(path.dataset.lot), path]));
  const keys = [...document.querySelectorAll("[data-concern]")];
  // the worst first, until somebody asks for another order
  let column = -1, rising = true, shown = STEP, chosen = null, listed = [];
  const concerns = new Set();

  function cell(row, number) {
    const made = document.createElement("td");
    if (data.numbers[number]) made.className = "number";
    if (number === 0 && row.link) {
      const link = document.createElement("a");
      link.href = row.link;
      link.textContent = row.cells[0];
      made.append(link);
      return made;
    }
    if (number === 1) {
      const swatch = document.createElement("span");
      swatch.className = `swatch c${row.rank}`;
      made.append(swatch);
    }
    made.append(row.cells[number]);
    return made;
  }

  function rowOf(at) {
    const made = document.createElement("tr");
    made.dataset.lot = at;
    made.tabIndex = 0;
    if (at === chosen) made.className = "chosen";
    made.append(...data.rows[at].cells.map((_, number) => cell(data.rows[at], number)));
    return made;
  }

  function before(a, b) {
    const one = data.rows[a], other = data.rows[b];
    if (column < 0) return one.rank - other.rank || a - b;
    const of = (row) => (data.numbers[column] ? row.keys[column] : row.cells[column] || null);
    const x = of(one), y = of(other);
    if (column === 1) return (rising ? 1 : -1) * (one.rank - other.rank) || a - b;
    if (x === null || y === null) return (x === null) - (y === null) || a - b; // nothing known comes last
    const order = data.numbers[column] ? x - y : x.localeCompare(y, "en", { numeric: true });
    return (rising ? order : -order) || a - b;
  }

  function draw() {
    const words = find.value.trim().toLowerCase();
    listed = data.rows.map((_, at) => at).filter((at) => {
      const row = data.rows[at];
      return (!concerns.size || concerns.has(row.rank)) && (!words || row.cells.some((text) => text.toLowerCase().includes(words)));
    }).sort(before);
    const there = new Set(listed);
    for (const [at, path] of paths) path.classList.toggle("out", !there.has(at));
    fill();
  }

  function fill() {
    body.replaceChildren(...listed.slice(0, shown).map(rowOf));
    more.hidden = listed.length <= shown;
    count.textContent = `${listed.length.toLocaleString("en")} of ${data.rows.length.toLocaleString("en")} lots`;
  }

  function choose(at, { scroll }) {
    if (paths.has(chosen)) paths.get(chosen).classList.remove("chosen");
    chosen = at;
    const path = paths.get(at);
    if (path) {
      path.classList.add("chosen");
      path.parentNode.append(path); // on top of its neighbours
    }
    const place = listed.indexOf(at);
    if (place >= shown) {
      shown = place + STEP;
      fill();
    }
    for (const row of body.children) row.classList.toggle("chosen", Number(row.dataset.lot) === at);
    if (scroll) body.querySelector(`[data-lot="${at}"]`)?.scrollIntoView({ block: "center" });
  }

  heads.forEach((head, number) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    head.replaceChildren(button);
    button.addEventListener("click", () => {
      rising = column === number ? !rising : !data.numbers[number];
      column = number;
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", rising ? "ascending" : "descending");
      shown = STEP;
      draw();
    });
  });
  keys.forEach((key) => key.addEventListener("click", () => {
    const rank = Number(key.dataset.concern);
    if (!concerns.delete(rank)) concerns.add(rank);
    key.setAttribute("aria-pressed", String(concerns.has(rank)));
    shown = STEP;
    draw();
  }));
  document.getElementById("all").addEventListener("click", () => {
    concerns.clear();
    keys.forEach((key) => key.setAttribute("aria-pressed", "false"));
    find.value = "";
    draw();
  });
  find.addEventListener("input", () => { shown = STEP; draw(); });
  more.addEventListener("click", () => { shown += STEP; fill(); });
  body.addEventListener("click", (event) => {
    const row = event.target.closest("tr");
    if (row) choose(Number(row.dataset.lot), { scroll: false });
  });
  body.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target.matches("tr")) choose(Number(event.target.dataset.lot), { scroll: false });
  });
  document.getElementById("lots")?.addEventListener("click", (event) => {
    const path = event.target.closest("path");
    if (path) choose(Number(path.dataset.lot), { scroll: true });
  });
  document.querySelector(".asks").hidden = false;
  document.getElementById("rest").hidden = true;
  draw();
})();
