"""The map on the sheet: lines, areas and letters of a figure set as such, not as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib import rc_context
from matplotlib.backend_bases import RendererBase
from matplotlib.path import Path
from PIL import Image
from reportlab.lib.utils import ImageReader
from reportlab.platypus import Flowable

from lotflow.outputs.field_sheet.typesetting import BOLD, REGULAR
from lotflow.outputs.map.sheet import ENLARGED, drawing_style, field_sheet_figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.figure import Figure

    from lotflow.outputs.field_sheet.typesetting import Lettering
    from lotflow.outputs.map.content import MapContent

_POINTS_PER_INCH: Final = 72.0
#: Pixels of the shaded ground to a point of the figure: 150 to an inch of paper.
_PIXELS: Final = 2.6
#: How a PDF writes the ends of lines and their corners.
_CAPS: Final = {"butt": 0, "round": 1, "projecting": 2}
_JOINS: Final = {"miter": 0, "round": 1, "bevel": 2}
_NON_ZERO: Final = 1


class VectorMap(Flowable):
    """
    The map as a part of the story.

    `content`: of the map; `lettering`: takes all text; `width`, `height`: on paper [point];
    `listed`: numbers of the low spots that must be found on it.
    """

    def __init__(
        self, content: MapContent, lettering: Lettering, width: float, height: float,
        listed: Sequence[int],
    ) -> None:  # fmt: skip
        super().__init__()
        self.width, self.height = width, height
        self._content, self._lettering, self._listed = content, lettering, listed

    def wrap(self, *_: float) -> tuple[float, float]:
        """Tell how large it is."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw the figure onto the page."""
        size = self.width / _POINTS_PER_INCH, self.height / _POINTS_PER_INCH
        with rc_context(drawing_style()):
            figure = field_sheet_figure(self._content, size, self._listed)
            self.canv.saveState()
            self.canv.scale(ENLARGED, ENLARGED)
            figure.draw(_Paper(self.canv, figure, self._lettering))
            self.canv.restoreState()


class _Paper(RendererBase):
    """Draws what a figure is made of on the canvas of the PDF writer."""

    def __init__(self, canvas: Any, figure: Figure, lettering: Lettering) -> None:
        super().__init__()
        self._canvas, self._lettering = canvas, lettering
        wide, high = figure.get_size_inches()
        self.width, self.height = wide * _POINTS_PER_INCH, high * _POINTS_PER_INCH

    def get_canvas_width_height(self) -> tuple[float, float]:
        """Tell the size of the figure [point]."""
        return self.width, self.height

    def flipy(self) -> bool:
        """Tell whether y runs downwards: not on this paper."""
        return False

    def get_image_magnification(self) -> float:
        """Tell how many pixels a picture has to a point."""
        return _PIXELS

    def draw_path(self, gc: Any, path: Any, transform: Any, rgbFace: Any = None) -> None:
        """Draw a line or an area."""
        line = gc.get_linewidth() > 0 and gc.get_rgb()[3] > 0
        if not line and rgbFace is None:
            return
        self._begin(gc)
        shape = self._canvas.beginPath()
        _trace(shape, path, transform)
        if rgbFace is not None:
            self._canvas.setFillColorRGB(*rgbFace[:3])
            alpha = gc.get_alpha() if gc.get_forced_alpha() else (*rgbFace, 1.0)[3]
            self._canvas.setFillAlpha(alpha)
        if line:
            self._pen(gc)
        self._canvas.drawPath(
            shape, stroke=int(line), fill=int(rgbFace is not None), fillMode=_NON_ZERO
        )
        self._canvas.restoreState()

    def draw_image(self, gc: Any, x: float, y: float, im: Any, transform: Any = None) -> None:  # noqa: ARG002
        """Draw a picture: the shaded ground and the depths of low spots."""
        high, wide = im.shape[:2]
        if not (high and wide):
            return
        self._begin(gc)
        # the first row of a figure's picture is its lowest, that of a PDF its highest
        picture = Image.fromarray(np.ascontiguousarray(im[::-1]))
        self._canvas.drawImage(
            ImageReader(picture), x, y, wide / _PIXELS, high / _PIXELS, mask="auto"
        )
        self._canvas.restoreState()

    def draw_text(
        self, gc: Any, x: float, y: float, s: str, prop: Any, angle: float, ismath: Any = False,  # noqa: ARG002
        mtext: Any = None,  # noqa: ARG002
    ) -> None:  # fmt: skip
        """Write letters."""
        self._begin(gc)
        self._canvas.translate(x, y)
        self._canvas.rotate(angle)
        font = BOLD if prop.get_weight() in {"bold", 700} else REGULAR
        self._canvas.setFont(font, prop.get_size_in_points())
        self._canvas.setFillColorRGB(*gc.get_rgb()[:3])
        self._canvas.setFillAlpha(gc.get_rgb()[3])
        self._canvas.drawString(0, 0, self._lettering.plain(s))
        self._canvas.restoreState()

    def _begin(self, gc: Any) -> None:
        """Keep the state of the page, and draw only within what a thing is clipped to."""
        self._canvas.saveState()
        box = gc.get_clip_rectangle()
        if box is not None:
            frame = self._canvas.beginPath()
            frame.rect(box.x0, box.y0, box.width, box.height)
            self._canvas.clipPath(frame, stroke=0, fill=0)
        path, transform = gc.get_clip_path()
        if path is not None:
            shape = self._canvas.beginPath()
            _trace(shape, path, transform)
            self._canvas.clipPath(shape, stroke=0, fill=0, fillMode=_NON_ZERO)

    def _pen(self, gc: Any) -> None:
        """Take the colour, width and dashes of a line."""
        self._canvas.setStrokeColorRGB(*gc.get_rgb()[:3])
        self._canvas.setStrokeAlpha(gc.get_rgb()[3])
        self._canvas.setLineWidth(gc.get_linewidth())
        self._canvas.setLineCap(_CAPS[str(gc.get_capstyle())])
        self._canvas.setLineJoin(_JOINS[str(gc.get_joinstyle())])
        offset, dashes = gc.get_dashes()
        self._canvas.setDash([float(dash) for dash in dashes or ()], float(offset or 0.0))


def _trace(shape: Any, path: Any, transform: Any) -> None:
    """Trace a path; curves of second order become curves of third order."""
    at = (0.0, 0.0)
    for vertices, code in path.iter_segments(transform, simplify=False):
        if code == Path.CLOSEPOLY:
            shape.close()
            continue
        points = [float(v) for v in vertices]
        if code == Path.MOVETO:
            shape.moveTo(*points)
        elif code == Path.LINETO:
            shape.lineTo(*points)
        elif code == Path.CURVE3:
            (x1, y1, x2, y2), (x0, y0) = points, at
            shape.curveTo(
                x0 + 2 / 3 * (x1 - x0), y0 + 2 / 3 * (y1 - y0),
                x2 + 2 / 3 * (x1 - x2), y2 + 2 / 3 * (y1 - y2), x2, y2,
            )  # fmt: skip
        elif code == Path.CURVE4:
            shape.curveTo(*points)
        at = (points[-2], points[-1])
