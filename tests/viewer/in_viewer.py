"""
What the viewer makes of files, told as JSON: run by the Python that QGIS is installed for.

Usage: in_viewer.py layers FILE... | draw FILE PICTURE | project FILE PICTURE | site FILE PICTURE |
add FILE LAYER JSON [JSON] | add_each FILE JSON
"""

import json
import os
import sys

os.environ["QT_QPA_PLATFORM"] = "offscreen"
from qgis.core import (  # type: ignore[import-not-found]
    QgsApplication,
    QgsFeature,
    QgsFieldConstraints,
    QgsGeometry,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProject,
    QgsRasterLayer,
    QgsVectorLayer,
    QgsVectorLayerUtils,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QSize  # type: ignore[import-not-found]
from qgis.PyQt.QtGui import QColor  # type: ignore[import-not-found]

APPLICATION = QgsApplication([], False)
APPLICATION.initQgis()
WHITE = QColor(255, 255, 255)


def names(path):
    """Layers of a GeoPackage as the viewer lists them."""
    whole = QgsVectorLayer(path, "whole", "ogr")
    return [line.split("!!::!!")[1] for line in whole.dataProvider().subLayers()]


def opened(path, name):
    """A layer, with the style that opens by itself."""
    layer = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
    if layer.isValid():
        layer.loadDefaultStyle()
    return layer


def extent_of(layers):
    """What all layers cover, with a margin."""
    whole = None
    for layer in layers:
        box = layer.extent()
        if not box.isEmpty() or layer.featureCount():
            whole = box if whole is None else (whole.combineExtentWith(box) or whole)
    whole.grow(0.1 * max(whole.width(), whole.height(), 1))
    return whole


def picture(layers, extent, path=None, size=(1000, 800)):
    """Number of pixels that are not white, every second one looked at."""
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setOutputSize(QSize(*size))
    settings.setBackgroundColor(WHITE)
    settings.setExtent(extent)
    settings.setDestinationCrs(layers[0].crs())
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    image = job.renderedImage()
    if path:
        image.save(path)
    return sum(
        image.pixelColor(x, y) != WHITE
        for y in range(0, image.height(), 2)
        for x in range(0, image.width(), 2)
    )


def told(path):
    """What is known of each layer of a file."""
    found = {}
    for name in dict.fromkeys(names(path)):
        layer = opened(path, name)
        fields = {}
        for position, field in enumerate(layer.fields()):
            widget = layer.editorWidgetSetup(position)
            rules = field.constraints()
            strong = QgsFieldConstraints.ConstraintNotNull
            fields[field.name()] = {
                "alias": layer.attributeDisplayName(position),
                "widget": widget.type(),
                "choices": [v for one in widget.config().get("map", []) for v in one.values()]
                if isinstance(widget.config().get("map"), list) else None,
                "owed": bool(rules.constraints() & strong),
                "default": layer.dataProvider().defaultValueClause(position),
            }  # fmt: skip
        renderer = layer.renderer()
        filters = []
        if renderer and renderer.type() == "RuleRenderer":
            filters = [r.filterExpression() for r in renderer.rootRule().descendants()]
        count = 0
        if layer.isSpatial() and layer.featureCount():
            count = picture([layer], extent_of([layer]), size=(500, 400))
        found[name] = {
            "valid": layer.isValid(),
            "geometry": QgsWkbTypes.displayString(layer.wkbType()),
            "rows": layer.featureCount(),
            "renderer": renderer.type() if renderer else None,
            "filters": filters,
            "faulty_filters": [text for text in filters if text and _is_faulty(text, layer)],
            "labels": layer.labelsEnabled(),
            "pixels": count,
            "fields": fields,
        }
    return found


def _is_faulty(text, layer):
    from qgis.core import QgsExpression  # noqa: PLC0415

    expression = QgsExpression(text)
    missing = set(expression.referencedColumns()) - {f.name() for f in layer.fields()}
    return expression.hasParserError() or bool(missing)


def add(path, name, values, place=None):
    """Draw one row as a form would: defaults of the provider, then what is given."""
    layer = opened(path, name)
    shape = {"Point": "POINT(0 0)", "Line": "LINESTRING(0 0, 10 5)",
             "Polygon": "POLYGON((0 0, 10 0, 10 10, 0 0))"}  # fmt: skip
    kind = QgsWkbTypes.geometryDisplayString(layer.geometryType())
    geometry = QgsGeometry.fromWkt(place or shape[kind])
    if QgsWkbTypes.isMultiType(layer.wkbType()):
        geometry.convertToMultiType()
    layer.startEditing()
    given = {layer.fields().indexOf(key): value for key, value in values.items()}
    row = QgsVectorLayerUtils.createFeature(layer, geometry, given)
    done = layer.addFeature(row) and layer.commitChanges()
    return {"done": bool(done), "errors": layer.commitErrors(), "rows": layer.featureCount(),
            "row": {f.name(): str(QgsFeature(row)[f.name()]) for f in layer.fields()}}  # fmt: skip


def project(path, out):
    """Open a project and draw what it shows."""
    whole = QgsProject.instance()
    done = whole.read(path)
    tree = whole.layerTreeRoot()
    shown = [layer for layer in tree.layerOrder() if tree.findLayer(layer.id()).isVisible()]
    valid = {layer.name(): layer.isValid() for layer in whole.mapLayers().values()}
    extent = whole.viewSettings().defaultViewExtent()
    if extent.isEmpty():
        extent = next(layer for layer in shown if layer.name() == "Lot").extent()
        extent.grow(0.3 * extent.width())
    return {
        "read": done, "title": whole.title(), "valid": valid,
        "groups": [child.name() for child in tree.children()],
        "shown": [layer.name() for layer in shown],
        "renderers": {
            layer.name(): layer.renderer().type() for layer in shown if layer.renderer()
        },
        "pixels": picture(shown, extent, out, size=(1600, 1200)),
    }  # fmt: skip


def site(path, out):
    """Draw the layers of a file to draw in, areas below lines below points, as they open."""
    layers = [opened(path, name) for name in dict.fromkeys(names(path))]
    drawn = [one for one in layers if one.isSpatial() and one.featureCount()]
    drawn.sort(key=lambda layer: layer.geometryType())
    return {"pixels": picture(drawn, extent_of(drawn), out, size=(1200, 900))}


def raster(path):
    """The style that a raster opens with."""
    layer = QgsRasterLayer(path, "raster")
    layer.loadDefaultStyle()
    return {"valid": layer.isValid(), "renderer": layer.renderer().type(),
            "pixels": picture([layer], layer.extent(), size=(400, 400))}  # fmt: skip


def main(command, *arguments):
    """Do what was asked and tell it."""
    if command == "layers":
        return {path: told(path) for path in arguments}
    if command == "add":
        place = json.loads(arguments[3])["wkt"] if arguments[3:] else None
        return add(arguments[0], arguments[1], json.loads(arguments[2]), place)
    if command == "add_each":
        return {
            name: [add(arguments[0], name, values) for values in rows]
            for name, rows in json.loads(arguments[1]).items()
        }
    if command == "site":
        return site(*arguments)
    if command == "raster":
        return {path: raster(path) for path in arguments}
    return project(*arguments)


sys.stdout.write("TOLD " + json.dumps(main(*sys.argv[1:])) + "\n")
sys.stdout.flush()
os._exit(0)  # the viewer's own way out may crash without a display
