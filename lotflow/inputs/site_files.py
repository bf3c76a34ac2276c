"""Which file and which layer in it each site layer is read from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from lotflow.errors import Fault, InputError
from lotflow.findings import Finding
from lotflow.inputs.open import local_file
from lotflow.inputs.sources import LayerFile
from lotflow.inputs.vectors import layer_names
from lotflow.layers import SITE_LAYERS
from lotflow.text import clean_text, closest, did_you_mean, one_of

#: Likeness from which an unknown layer is taken for a known one misspelt.
_LIKENESS = 0.8


def find_site_files(
    file: Path | None, own: Mapping[str, LayerFile]
) -> tuple[dict[str, LayerFile], list[Finding]]:
    """
    Find the site layers in a file that holds several, and add those with files of their own.

    Parameters
    ----------
    file
        File in which layers have the names of site layers; capitals do not count.
    own
        Layers with a file of their own; these win.

    Returns
    -------
    files
        By site layer, in the order of the schema.
    findings
        Layers of the file that mean nothing here.

    Raises
    ------
    InputError
        If a layer of the file is almost named like a site layer, or none is.
    """
    found: dict[str, LayerFile] = {}
    findings: list[Finding] = []
    if file is not None:
        found, findings = _layers_of(local_file(file, "file of the site layers"))
    merged = {**found, **own}
    return {name: merged[name] for name in SITE_LAYERS if name in merged}, findings


def layer_in(source: LayerFile, name: str, *, names: tuple[str, ...] | None = None) -> LayerFile:
    """
    Settle which layer of a file is meant for a site layer.

    Parameters
    ----------
    source
        The file, and the layer where it was named.
    name
        Site layer.
    names
        Layers of the file, where the caller knows them already; a file is not opened twice.

    Returns
    -------
    source
        With the layer as it is called in the file: the one named, else the only one, else the
        one called by the kind of its rows ("streets"), else by the site layer.

    Raises
    ------
    InputError
        If the file has no such layer, or several of which none has the name.
    """
    path = local_file(source.path, f"file of the layer {name}")
    names = layer_names(path) if names is None else names
    if source.layer is None and len(names) == 1:
        return replace(source, path=path, layer=names[0])
    by_folded = {layer.casefold(): layer for layer in names}
    wanted = source.layer or name
    if source.layer is None and source.kind and f"{source.kind}s" in by_folded:
        wanted = f"{source.kind}s"
    if wanted in names or wanted.casefold() in by_folded:
        found = wanted if wanted in names else by_folded[wanted.casefold()]
        return replace(source, path=path, layer=found)
    if not names:
        raise InputError(Fault("the file holds no layer", "Check the path", str(path)))
    rule = f"there is no layer {wanted!r} in the file, but {', '.join(map(repr, names))}"
    remedy = did_you_mean(wanted, names) if source.layer else "Name the layer to read"
    raise InputError(Fault(rule, remedy, str(path)))


def _layers_of(file: Path) -> tuple[dict[str, LayerFile], list[Finding]]:
    """Match the layers of a file with the site layers."""
    names = layer_names(file)
    found = {
        name.casefold(): LayerFile(file, name) for name in names if name.casefold() in SITE_LAYERS
    }
    strangers = [name for name in names if name.casefold() not in SITE_LAYERS]
    free = [name for name in SITE_LAYERS if name not in found]
    meant = {name: closest(name, free, likeness=_LIKENESS) for name in strangers}
    faults = [
        Fault(f"layer {name!r} is not known", f"Did you mean {near!r}?", str(file))
        for name, near in meant.items()
        if near
    ]
    if not found and not faults:
        rule = "the file holds no layer that is known"
        faults = [Fault(rule, f"Name its layers {one_of(SITE_LAYERS)}", str(file))]
    if faults:
        raise InputError(faults)
    if not strangers:
        return found, []
    message = f"{file.name}: layers that mean nothing here: {', '.join(strangers)}"
    message = clean_text(message[:1000], longest=1000)
    return found, [Finding("layers-ignored", "note", clean_text(file.name[:200]), message)]
