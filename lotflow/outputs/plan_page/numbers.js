// Numbers as the reader wants them: metric or US, from the one table the program has.
"use strict";

function makeNumbers(shown) {
  const text = (value, digits) => value.toLocaleString(
    "en-US", { minimumFractionDigits: digits, maximumFractionDigits: digits, roundingMode: "halfEven" });
  const show = (value, quantity, system) => {
    if (value === null || value === undefined || value === "") return "–";
    if (quantity === "text" || typeof value === "string") return String(value);
    if (!Array.isArray(value) && (typeof value !== "number" || Number.isNaN(value))) return "–";
    if (quantity === "number") return value.toLocaleString("en-US", { maximumFractionDigits: 2 });
    if (quantity === "whole") return text(value, 0);
    const { factor, decimals, unit } = shown[quantity][system];
    if (Array.isArray(value)) {
      const ends = value.map((end) => text(end / factor, decimals));
      return `${ends[0] === ends[1] ? ends[0] : ends.join(" to ")}${unit}`;
    }
    return `${text(value / factor, decimals)}${unit}`;
  };
  return { show };
}

function gradeText(slope, system) {
  const percent = `${(100 * slope).toFixed(2)}%`;
  return system === "us" ? `${percent} (${(12 * slope).toFixed(2)} in per ft)` : percent;
}
