"""The paper of the sheet: upright pages with their head and foot."""

from __future__ import annotations

import io
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from reportlab import rl_config
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import inch
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

from lotflow.outputs.field_sheet.typesetting import BOLD, REGULAR
from lotflow.outputs.palette import INK

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from lotflow.units import UnitSystem

_SIZES: Final[dict[UnitSystem, tuple[float, float]]] = {"us": LETTER, "metric": A4}
#: Printers leave a quarter inch blank above and below; the left margin has room for holes.
_INCH: Final[float] = inch
MARGIN: Final = 0.5 * _INCH
_EDGE: Final = 0.3 * _INCH
_HEAD: Final = 0.28 * _INCH
_FOOT: Final = 0.22 * _INCH
_PALE: Final = HexColor("#55585f")

_KEEP: Final = "A screening: not a survey, not engineering design, not legal advice."
_SCALE_NOTE: Final = "Print at 100 %: the scale holds."
#: Name of the drawing that holds the number of pages, which is known last.
_PAGE_COUNT: Final = "page-count"


class _CountedCanvas(Canvas):
    """A canvas that fills in the number of pages at its end."""

    def save(self) -> None:
        """Draw the number of pages where every page refers to it, then finish."""
        self.beginForm(_PAGE_COUNT, 0, -4, _INCH, 12)
        self.setFont(REGULAR, 9)
        self.setFillColor(_PALE)
        self.drawString(0, 0, str(self.getPageNumber() - 1))
        self.endForm()
        super().save()


def text_size(units: UnitSystem) -> tuple[float, float]:
    """Tell how wide and high the text of a page is [point]."""
    width, height = _SIZES[units]
    return width - 2 * MARGIN, height - 2 * _EDGE - _HEAD - _FOOT


def print_sheet(make_story: Callable[[], Sequence[Any]], *, title: str, units: UnitSystem) -> bytes:
    """
    Print a story upright.

    `make_story`: gives what stands on the pages; `title`: of every page, in characters the font
    has.

    The PDF is without any date, so that the same sheet has the same bytes.
    """
    target = io.BytesIO()
    document = BaseDocTemplate(
        target, pagesize=_SIZES[units], invariant=1, title=title, author="", subject="Field sheet",
        creator="lotflow", lang="en", displayDocTitle=True, initialFontName=REGULAR,
    )  # fmt: skip
    document.addPageTemplates([_text_page(title, units)])
    with _settings():
        document.build(list(make_story()), canvasmaker=_CountedCanvas)
    return target.getvalue()


@contextmanager
def _settings() -> Iterator[None]:
    """Have the writer ask no address, and leave out its slow detour over plain letters."""
    # all text is escaped; should some not be, no picture of it is fetched, whatever a user trusts
    wanted = {"useA85": 0, "trustedSchemes": [], "trustedHosts": None}
    before = {name: getattr(rl_config, name) for name in wanted}
    try:
        for name, value in wanted.items():
            setattr(rl_config, name, value)
        yield
    finally:
        for name, value in before.items():
            setattr(rl_config, name, value)


def _text_page(title: str, units: UnitSystem) -> PageTemplate:
    """Make a page of text."""
    width, height = _SIZES[units]

    def draw(canvas: Any, _: Any) -> None:
        top = height - _EDGE
        short = _fitted(title, BOLD, 12, width - 2 * MARGIN - 2.3 * _INCH)
        _write(canvas, MARGIN, top - 8, short, 12, font=BOLD, colour=HexColor(INK))
        _write_page_number(canvas, width - MARGIN, top - 8)
        canvas.setStrokeColor(_PALE)
        canvas.setLineWidth(0.5)
        canvas.line(MARGIN, top - 13, width - MARGIN, top - 13)
        _write(canvas, MARGIN, _EDGE, f"{_KEEP} {_SCALE_NOTE}", 9)

    frame = Frame(
        MARGIN, _EDGE + _FOOT, *text_size(units),
        leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0,
    )  # fmt: skip
    return PageTemplate("text", [frame], onPage=draw, pagesize=(width, height))


def _fitted(text: str, font: str, size: float, width: float) -> str:
    """
    Cut a text to a width.

    `text`: in characters the font has; `font`, `size`: name and size [point]; `width`: of the
    room there is [point].
    """
    if stringWidth(text, font, size) <= width:
        return text
    while text and stringWidth(text + "…", font, size) > width:
        text = text[:-1]
    return text.rstrip() + "…"


def _write(
    canvas: Any, x: float, y: float, text: str, size: float, *, font: str = REGULAR,
    colour: Any = _PALE,
) -> None:  # fmt: skip
    """Write a line from the left."""
    canvas.setFont(font, size)
    canvas.setFillColor(colour)
    canvas.drawString(x, y, text)


def _write_page_number(canvas: Any, right: float, y: float) -> None:
    """Write "page n of all" so that it ends about at a place."""
    text = f"Field sheet   page {canvas.getPageNumber()} of "
    left = right - stringWidth(text + "00", REGULAR, 9)
    _write(canvas, left, y, text, 9)
    canvas.saveState()
    canvas.translate(left + stringWidth(text, REGULAR, 9), y)
    canvas.doForm(_PAGE_COUNT)
    canvas.restoreState()
