"""What is proposed for the surface, and the order of all options, as `proposal.json` tells them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.proposing.surface import levels_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.quantities import Quantity
    from lotflow.proposing.ranking import Ranking
    from lotflow.proposing.surface import Change, SurfaceHarm, SurfaceOption

#: Keys of what a run tells of an earthwork, in SI.
_DUG = ("cut_m3", "fill_m3", "area_m2", "deepest_m", "fall", "capacity_m3s", "flow_m3s",
        "share_met", "verdict", "leads_to", "goes_to")  # fmt: skip


def surface_content(
    options: Sequence[SurfaceOption],
    layers: Mapping[str, Any],
    needs: Mapping[str, Sequence[str]],
    listed: Mapping[str, Sequence[Quantity]],
) -> list[dict[str, Any]]:
    """
    Give the part of `proposal.json` about changes of the surface.

    Parameters
    ----------
    options
        Those that are offered, in the order in which they build on one another.
    layers
        Of a run with all of them.
    needs
        By the name of a row, what a run asks or warns of it.
    listed
        By the name of a change, what it takes, in the units of the report.
    """
    dug: dict[str, dict[str, Any]] = {}
    for layer in ("earthwork_lines", "earthwork_areas"):
        if layer in layers:
            for row in layers[layer].to_dict("records"):
                dug[str(row["name"])] = {key: _plain(row[key]) for key in _DUG if key in row}
    found = []
    for one in options:
        change = one.change
        names = [str(row.values["name"]) for row in change.rows]
        found.append(
            {
                "name": change.name, "kind": change.kind, "place": change.place,
                "x": _round(change.x), "y": _round(change.y),
                "rows": [{"table": row.table, "name": name}
                         for row, name in zip(change.rows, names, strict=True)],
                "length_m": _round(change.length_m),
                **{key: _plain(value) for key, value in change.facts.items()},
                "dug": next((dug[name] for name in names if name in dug), None),
                "before": told(one.before), "alone": told(one.alone),
                "on_top_of": told(one.on_top_of), "after": told(one.after),
                "quantities": [
                    {"item": item.item, "quantity": item.quantity, "unit": item.unit}
                    for item in listed.get(change.name, ())
                ],
                "needs": sorted({need for name in names for need in needs.get(name, ())}),
            }
        )  # fmt: skip
    return found


def ranking_content(ranking: Ranking, costs: Mapping[str, float | None]) -> dict[str, Any]:
    """
    Give the part of `proposal.json` about the order of the options.

    Parameters
    ----------
    ranking
        From `lotflow.proposing.ranking`.
    costs
        By the name of an option what it costs by the user's prices; None where not all is priced.
    """
    together = list(ranking.first) if len(ranking.first) > 1 else []
    return {
        "best": ranking.first[0] if len(ranking.first) == 1 else None,
        "alike": together if ranking.is_alike else [],
        "cannot_tell": [] if ranking.is_alike else together,
        "sequence": list(ranking.sequence),
        "ties": [list(pair) for pair in ranking.ties],
        "runs": ranking.runs, "full_runs": ranking.full,
        "options": [
            {
                "name": one.name, "verdict": one.verdict, "surfaces": one.surfaces,
                "share_helps": _round(one.helps), "share_harms": _round(one.harms),
                "before": told(one.before), "after": told(one.after),
                "mended_p05": told(one.mended_at(0.05)), "mended_p50": told(one.mended_at(0.5)),
                "mended_p95": told(one.mended_at(0.95)), "cost": _round(costs.get(one.name)),
            }
            for one in ranking.options
        ],
    }  # fmt: skip


def surface_shots(ranking: Ranking, changes: Sequence[Change]) -> list[dict[str, Any]]:
    """
    Levels that decide whether a change works, of those that are not sure or tie for the first.

    Parameters
    ----------
    ranking
        From `lotflow.proposing.ranking`.
    changes
        Of the surface that are offered.
    """
    unsure = {one.name for one in ranking.options if one.verdict != "holds"}
    if not ranking.is_alike and len(ranking.first) > 1:
        unsure |= set(ranking.first)
    return [
        {"option": one.name, "what": what, "x": _round(x), "y": _round(y)}
        for one in changes if one.name in unsure for what, x, y in levels_of(one)
    ]  # fmt: skip


def told(harm: SurfaceHarm) -> dict[str, float | None]:
    """Rows of harm by their names, in SI."""
    return {key: _round(value) for key, value in harm._asdict().items()}


def _round(value: float | None) -> float | None:
    """Five decimals; None for what is no number."""
    return None if value is None or not np.isfinite(value) else round(float(value), 5) + 0.0


def _plain(value: Any) -> Any:
    """A value as JSON knows it."""
    if value is None or isinstance(value, str | bool):
        return value
    return int(value) if isinstance(value, int) else _round(float(value))


def surface_text(content: Mapping[str, Any]) -> str:
    """
    Tell what is proposed for the surface, and the order of all options, in a few lines.

    Parameters
    ----------
    content
        Of `proposal.json`.
    """
    lines = []
    for one in content["surface"]:
        dug = one["dug"] or {}
        parts = [f"{one['length_m']:.1f} m long"] if one["length_m"] else []
        parts += [
            f"{word} {dug[key]:.1f} m³"
            for word, key in (("cut", "cut_m3"), ("fill", "fill_m3")) if dug.get(key)
        ]  # fmt: skip
        lines.append(f"{one['name']}: {one['kind']} at {one['place']}"
                     + (f" ({', '.join(parts)})" if parts else ""))  # fmt: skip
    ranking = content["ranking"]
    if ranking["best"]:
        lines.append(f"Helps most: {ranking['best']}")
    elif ranking["alike"]:
        lines.append(f"Help most, alike: {'; '.join(ranking['alike'])}")
    elif ranking["cannot_tell"]:
        lines.append(
            "Which helps most the levels cannot tell: " + "; ".join(ranking["cannot_tell"])
        )
    if len(ranking["sequence"]) > 1:
        lines.append("Best together, in this order: " + "; ".join(ranking["sequence"]))
    lines += [
        f"{one['name']}: {one['verdict']} (helps on {100 * one['share_helps']:.0f} %, harms on "
        f"{100 * one['share_harms']:.0f} % of {one['surfaces']} surfaces that may be true)"
        for one in ranking["options"]
    ]
    return "\n".join(lines)
