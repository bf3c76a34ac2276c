// The two maps side by side or one over the other, and which place is marked on both.
"use strict";

(() => {
  const body = document.body;
  const all = (selector) => [...document.querySelectorAll(selector)];
  const slide = document.getElementById("slide");
  const range = slide.querySelector("input");
  const after = document.querySelector("figure.after");
  const edge = document.querySelector(".edge");

  function reveal() {
    const over = body.classList.contains("over");
    after.style.clipPath = over ? `inset(0 0 0 ${range.value}%)` : "";
    edge.style.left = `${range.value}%`;
  }

  function arrange(over) {
    body.classList.toggle("over", over);
    document.getElementById("over").setAttribute("aria-pressed", String(over));
    document.getElementById("beside").setAttribute("aria-pressed", String(!over));
    slide.hidden = !over;
    edge.hidden = !over;
    reveal();
  }

  // Height of the maps where they lie above the table, not beside it.
  function covered(row) {
    const maps = document.querySelector(".maps").getBoundingClientRect();
    return maps.right > row.getBoundingClientRect().left ? maps.height : 0;
  }

  // A second tap on the same place takes its mark away.
  function choose(place, showRow) {
    const again = all(".place.chosen").some((one) => one.dataset.place === place);
    const chosen = again ? null : place;
    body.classList.toggle("some-chosen", chosen !== null);
    all(".place").forEach((one) => one.classList.toggle("chosen", one.dataset.place === chosen));
    all("tr[data-row]").forEach((row) => row.classList.toggle("chosen", row.dataset.row === chosen));
    all(".mark").forEach((one) => one.setAttribute("aria-pressed", String(one.dataset.place === chosen)));
    if (showRow && chosen !== null) {
      const rows = all(`tr[data-row="${chosen}"]`);
      const row = rows.find((one) => one.checkVisibility()) ?? rows[0];
      const fold = row?.closest("section > details");
      if (fold) fold.open = true;
      if (row) window.scrollTo({ top: row.getBoundingClientRect().top + window.scrollY - covered(row) - 8 });
    }
  }

  body.classList.add("scripted");
  document.querySelector(".switch").hidden = false;
  document.getElementById("over").addEventListener("click", () => arrange(true));
  document.getElementById("beside").addEventListener("click", () => arrange(false));
  range.addEventListener("input", reveal);
  all("tr[data-row]").forEach((row) => row.addEventListener("click", (event) => {
    if (!event.target.closest("td summary, td details")) choose(row.dataset.row, false);
  }));
  all(".place").forEach((one) => one.addEventListener("click", () => choose(one.dataset.place, true)));
  arrange(window.matchMedia("(max-width: 760px)").matches);
  document.documentElement.dataset.ready = "yes";
})();
