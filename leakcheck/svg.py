"""What an SVG drawing holds and where it lies on a photo; the file is parsed without trust.

Nothing here knows what an opening is: `svg_outline.py` makes polygons of the shapes,
`opening_words.py` reads what they are called, `openings.py` puts both together.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from xml.etree.ElementTree import Element, ParseError

import defusedxml.ElementTree
import numpy as np
from defusedxml.common import DefusedXmlException
from numpy.typing import NDArray

from leakcheck.errors import OpeningsError

Points = NDArray[np.float64]  # (n, 2): x and y
Matrix = NDArray[np.float64]  # (3, 3), affine
Box = tuple[float, float, float, float]  # x, y, width, height

# Far above any drawing of windows, low enough that no file keeps the machine busy for long.
MAX_ELEMENTS = 200_000
MAX_VISITS = 50_000  # elements walked, counting again what <use> repeats
MAX_SHAPES = 10_000
MAX_DEPTH = 100
MAX_OUTLINE_CHARS = 1_000_000  # of all `d` and `points`, counting again what <use> repeats

SAME_ASPECT = 0.01  # a drawing program rounds millimetres; portrait against landscape is far off

SVG_SPACE = "{http://www.w3.org/2000/svg}"
HREFS = ("href", "{http://www.w3.org/1999/xlink}href")
SHAPES = frozenset({"rect", "circle", "ellipse", "polygon", "polyline", "path", "line"})
GROUPS = frozenset({"g", "a", "switch"})
INHERITED = (
    "fill",
    "fill-rule",
    "stroke",
    "stroke-width",
    "stroke-linecap",
    "stroke-linejoin",
    "stroke-miterlimit",
    "visibility",
)
NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
UNIT_PX = {  # CSS: 96 px to the inch, https://www.w3.org/TR/css-values-3/#absolute-lengths
    "": 1.0,
    "px": 1.0,
    "pt": 96 / 72,
    "pc": 16.0,
    "in": 96.0,
    "cm": 96 / 2.54,
    "mm": 96 / 25.4,
    "q": 96 / 101.6,
}


@dataclass(frozen=True, eq=False)
class Placed:
    """An element where the tree puts it."""

    element: Element
    nodes: tuple[Element, ...]  # the element, then what it is nested in, without the root
    matrix: Matrix  # its user units -> user units of the drawing
    style: dict[str, str]  # properties that SVG inherits
    viewport: tuple[float, float]  # what a percentage refers to, user units
    hidden: bool

    @property
    def tag(self) -> str:
        """Name of the element without its namespace; empty for what is not SVG."""
        return local_tag(self.element)

    def length(self, name: str, whole: float, default: float = 0.0) -> float:
        """An attribute as a number of user units; `whole` is what 100 % means."""
        return length(self.element.get(name), whole, default)


@dataclass
class Drawing:
    """What an SVG file draws, not yet flattened."""

    view_box: Box | None
    page: tuple[float, float] | None  # width and height, px; None where the file does not say
    aspect_rule: str  # preserveAspectRatio
    shapes: list[Placed] = field(default_factory=list)  # hidden ones left out
    pictures: list[Placed] = field(default_factory=list)  # <image>, hidden ones too
    notes: list[str] = field(default_factory=list)  # what was not followed, for the user

    @property
    def picture(self) -> Placed | None:
        """The photo drawn on: the largest that shows; a hidden one still gives the frame."""
        return max(self.pictures, key=lambda p: (not p.hidden, _shown_area(p)), default=None)

    @property
    def extent(self) -> float:
        """Longer side of the drawing, user units."""
        box = self.view_box or (0.0, 0.0, *(self.page or (1000.0, 1000.0)))
        return max(box[2], box[3])


def parse_svg(data: bytes, name: str) -> Drawing:
    """The drawing in an SVG file's bytes; entities and outside references are refused.

    Args:
        data: the file's content.
        name: the file's name, for messages.
    Raises: OpeningsError where it is no SVG, is too large, or asks for anything outside itself.
    """
    if data.count(b"<") > 2 * MAX_ELEMENTS:
        raise OpeningsError(f"{name} holds too many elements. Keep only the openings in it.")
    try:
        # A DOCTYPE alone is harmless, since nothing is loaded; many programs write one.
        root = defusedxml.ElementTree.fromstring(data, forbid_dtd=False)
    except DefusedXmlException as fault:
        raise OpeningsError(
            f"{name} defines XML entities or asks for outside ones, which is not safe to read. "
            "Save it as plain SVG."
        ) from fault
    except (ParseError, ValueError, LookupError) as fault:
        raise OpeningsError(
            f"{name} is neither readable SVG nor a painted picture ({fault}). "
            "Save it again from the drawing program as plain SVG, or as PNG."
        ) from fault
    if local_tag(root) != "svg":
        raise OpeningsError(f"{name} is XML but no SVG drawing. Save it as plain SVG.")
    return _Walk(root, name).drawing


def local_tag(element: Element) -> str:
    """Name without the SVG namespace; empty for other namespaces, comments and the like."""
    tag = element.tag
    if not isinstance(tag, str):
        return ""
    tag = tag.removeprefix(SVG_SPACE)
    return "" if tag.startswith("{") else tag


def href(element: Element) -> str:
    """Where an element links to, or an empty text."""
    return next((element.get(key, "").strip() for key in HREFS if element.get(key)), "")


def length(text: str | None, whole: float, default: float = 0.0) -> float:
    """An SVG length in user units.

    Args:
        text: such as "12", "3.5mm" or "50%"; None or "auto" gives the default.
        whole: what 100 % means, user units.
        default: user units.
    Raises: ValueError for units that depend on a font, and for what is no length.
    """
    if text is None or text.strip() in ("", "auto"):
        return default
    match = re.fullmatch(rf"\s*({NUMBER})\s*([a-zA-Z%]*)\s*", text)
    if not match:
        raise ValueError(f"'{text[:40]}' is no length")
    number, unit = float(match[1]), match[2].lower()
    if not np.isfinite(number):
        raise ValueError(f"the length '{text[:40]}' is too large")
    if unit == "%":
        return number / 100 * whole
    if unit not in UNIT_PX:
        raise ValueError(f"the unit '{unit[:40]}' is not known")
    return number * UNIT_PX[unit]


def fit(view: Box, box: Box, rule: str) -> Matrix:
    """Where `view` comes to lie in `box` by SVG's preserveAspectRatio.

    Source: SVG 2, section 8.7 "The preserveAspectRatio attribute" and section 8.2.
    """
    words = [word for word in rule.split() if word != "defer"] or ["xMidYMid"]
    x_scale, y_scale = box[2] / view[2], box[3] / view[3]
    if words[0] != "none":
        x_scale = y_scale = (max if "slice" in words else min)(x_scale, y_scale)
    share = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
    x_share, y_share = share.get(words[0][1:4], 0.5), share.get(words[0][5:8], 0.5)
    x = box[0] + (box[2] - view[2] * x_scale) * x_share - view[0] * x_scale
    y = box[1] + (box[3] - view[3] * y_scale) * y_share - view[1] * y_scale
    return np.array([[x_scale, 0, x], [0, y_scale, y], [0, 0, 1]], float)


def move(points: Points, matrix: Matrix) -> Points:
    """Points (n, 2) through an affine matrix (3, 3)."""
    moved: Points = points @ matrix[:2, :2].T + matrix[:2, 2]
    return moved


def photo_matrix(drawing: Drawing, size: tuple[int, int], name: str) -> Matrix:
    """User units of a drawing -> pixels of the photo, where an integer is a pixel's centre.

    Args:
        drawing: with the photo as <image>, or with a viewBox or width and height that equal the
            photo's pixels or have its aspect ratio.
        size: columns and rows of the photo.
        name: the drawing's file name, for messages.
    Raises: OpeningsError where the drawing does not have the photo's aspect ratio.
    """
    photo: Box = (0.0, 0.0, float(size[0]), float(size[1]))
    centre = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]], float)
    if drawing.picture is not None:
        frame = np.linalg.inv(_picture_frame(drawing.picture, photo, name))
        return np.array(centre @ frame)
    view, page = drawing.view_box, drawing.page
    if view is None and page is None:
        raise OpeningsError(
            f"{name} does not say how large it is drawn, and links no photo. Give its <svg> "
            f'element viewBox="0 0 {size[0]} {size[1]}", the pixels of the photo.'
        )
    page_box: Box = (0.0, 0.0, *page) if page else view  # type: ignore[assignment]
    view = view or page_box
    if view[2:] == photo[2:]:
        return centre @ fit(view, photo, "none")
    if same_aspect(page_box[2:], photo[2:]):
        on_page = fit(view, page_box, drawing.aspect_rule)
        return centre @ fit(page_box, photo, "none") @ on_page
    if same_aspect(view[2:], photo[2:]):
        return centre @ fit(view, photo, "none")
    raise _other_shape(name, page_box[2:], photo)


def same_aspect(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """True where two widths and heights agree in shape within 1 %."""
    return bool(abs(one[0] * other[1] / (one[1] * other[0]) - 1) <= SAME_ASPECT)


def matrix_of(text: str | None) -> Matrix:
    """The matrix of a `transform` attribute. Raises: ValueError where it cannot be read."""
    if not text or not text.strip():
        return np.eye(3)
    from svgpathtools import parse_transform  # costs 40 ms to load

    matrix: Matrix = parse_transform(text, strict=True)
    return matrix


class _Walk:
    """Goes through the tree once and collects what is drawn."""

    def __init__(self, root: Element, name: str) -> None:
        self.name = name
        self.ids: dict[str, Element] = {}
        for element in root.iter():
            self.ids.setdefault(element.get("id", ""), element)
        self.visits = 0
        self.outline_chars = 0
        page = _page_size(root)
        view = view_box(root)
        self.drawing = Drawing(view, page, root.get("preserveAspectRatio", ""))
        viewport = view[2:] if view else page or (100.0, 100.0)
        start = Placed(root, (), np.eye(3), {}, viewport, False)
        self.children(replace(self.enter(root, start), nodes=()))

    def enter(self, element: Element, parent: Placed) -> Placed:
        """A child with what it inherits from its parent."""
        self.visits += 1
        if self.visits > MAX_VISITS or len(parent.nodes) > MAX_DEPTH:
            raise OpeningsError(
                f"{self.name} is nested too deep or repeats too much. Keep only the openings in it."
            )
        own = _properties(element)
        if "transform" in own:
            self.note(f"A transform in a style of {self.name} is not followed; use the attribute.")
        try:
            matrix = parent.matrix @ matrix_of(element.get("transform"))
        except ValueError as fault:
            raise self.unreadable(element, fault) from fault
        style = parent.style | {
            key: own[key] for key in INHERITED if own.get(key, "inherit") != "inherit"
        }
        hidden = parent.hidden or own.get("display") == "none"
        nodes = (element, *parent.nodes)
        return Placed(element, nodes, matrix, style, parent.viewport, hidden)

    def children(self, parent: Placed) -> None:
        for element in parent.element:
            tag = local_tag(element)
            if tag not in SHAPES and tag not in GROUPS and tag not in ("svg", "use", "image"):
                continue  # defs, clipPath, symbol, metadata, text, other namespaces: not drawn
            place = self.enter(element, parent)
            if tag == "use":
                self.use(place)
            else:
                self.add(place)

    def add(self, place: Placed) -> None:
        tag = place.tag
        unseen = place.hidden or place.style.get("visibility") in ("hidden", "collapse")
        if tag in SHAPES:
            if not unseen:
                self.shape(place)
        elif tag == "image":
            self.drawing.pictures.append(replace(place, hidden=unseen))
        elif tag in ("svg", "symbol"):
            self.children(self.viewport(place, place))
        elif tag in GROUPS:
            self.children(place)

    def shape(self, place: Placed) -> None:
        element = place.element
        self.outline_chars += len(element.get("d", "")) + len(element.get("points", ""))
        if len(self.drawing.shapes) >= MAX_SHAPES or self.outline_chars > MAX_OUTLINE_CHARS:
            raise OpeningsError(
                f"{self.name} draws more than {MAX_SHAPES} shapes, or outlines of too many points. "
                "Keep only the openings in it, and simplify them."
            )
        if any(node.get("clip-path") or node.get("mask") for node in place.nodes):
            self.note(f"Clip paths and masks in {self.name} are not followed: shapes count whole.")
        self.drawing.shapes.append(place)

    def use(self, place: Placed) -> None:
        link = href(place.element)
        target = self.ids.get(link[1:]) if link.startswith("#") and len(link) > 1 else None
        if target is None:
            self.note(f"A <use> in {self.name} points to nothing in the file and is left out.")
            return
        wide, high = place.viewport
        try:
            x, y = place.length("x", wide), place.length("y", high)
        except ValueError as fault:
            raise self.unreadable(place.element, fault) from fault
        shift = np.array([[1, 0, x], [0, 1, y], [0, 0, 1]], float)
        copy = self.enter(target, replace(place, matrix=place.matrix @ shift))
        if copy.tag in ("svg", "symbol"):
            self.children(self.viewport(copy, place))
        elif copy.tag in SHAPES:  # a copy goes by its own name and class before the original's
            self.add(replace(copy, nodes=(place.element, target, *place.nodes[1:])))
        elif copy.tag == "use":
            self.use(copy)
        else:
            self.add(copy)

    def viewport(self, inner: Placed, sized: Placed) -> Placed:
        """A nested <svg>, or a <symbol> sized by its <use>, as the parent of its children."""
        wide, high = inner.viewport
        try:
            corner = (inner.length("x", wide), inner.length("y", high))
            box = (*corner, sized.length("width", wide, wide), sized.length("height", high, high))
        except ValueError as fault:
            raise self.unreadable(inner.element, fault) from fault
        view = view_box(inner.element) or (0.0, 0.0, box[2], box[3])
        rule = inner.element.get("preserveAspectRatio", "")
        return replace(inner, matrix=inner.matrix @ fit(view, box, rule), viewport=view[2:])

    def note(self, text: str) -> None:
        if text not in self.drawing.notes:
            self.drawing.notes.append(text)

    def unreadable(self, element: Element, fault: Exception) -> OpeningsError:
        who = f"<{local_tag(element)}> {element.get('id', '')}".strip()[:80]
        return OpeningsError(f"{self.name}: {who} cannot be read ({fault}). Redraw or delete it.")


def view_box(element: Element) -> Box | None:
    """The element's viewBox, or None where it has none of any size."""
    numbers = [float(n) for n in re.findall(NUMBER, element.get("viewBox", ""))]
    if len(numbers) != 4 or not np.isfinite(numbers).all() or min(numbers[2:]) <= 0:
        return None
    return (numbers[0], numbers[1], numbers[2], numbers[3])


def _page_size(root: Element) -> tuple[float, float] | None:
    """Width and height of the root in px; None where either is missing, relative or nothing."""
    sides = []
    for key in ("width", "height"):
        try:
            sides.append(length(root.get(key), 0.0))
        except ValueError:
            return None
    if not np.isfinite(sides).all() or min(sides) <= 0:
        return None
    return (sides[0], sides[1])


def _properties(element: Element) -> dict[str, str]:
    """Presentation attributes, overruled by the style attribute; style sheets are not read."""
    own = {
        key: element.get(key, "").strip()
        for key in (*INHERITED, "display")
        if key in element.attrib
    }
    for declaration in element.get("style", "").split(";"):
        key, colon, value = declaration.partition(":")
        if colon:
            own[key.strip().lower()] = value.replace("!important", "").strip()
    return own


def _shown_area(picture: Placed) -> float:
    """How much of the drawing an <image> covers, square user units."""
    wide, high = picture.viewport
    try:
        sides = picture.length("width", wide, 1.0) * picture.length("height", high, 1.0)
    except ValueError:
        return 0.0
    return float(abs(np.linalg.det(picture.matrix[:2, :2])) * sides)


def _picture_frame(picture: Placed, photo: Box, name: str) -> Matrix:
    """Photo, as its box in pixels -> user units of the drawing, by the <image> that shows it."""
    wide, high = picture.viewport
    width = picture.length("width", wide)
    height = picture.length("height", high, width * photo[3] / photo[2]) or photo[3]
    width = width or height * photo[2] / photo[3]
    box = (picture.length("x", wide), picture.length("y", high), width, height)
    shown = np.hypot(*picture.matrix[:2, :2]) * (width, height)
    if not (np.isfinite(shown).all() and shown.min() > 0):
        raise OpeningsError(f"{name}: its <image> has no area. Place the photo in it again.")
    if not same_aspect((shown[0], shown[1]), photo[2:]):
        raise _other_shape(name, (shown[0], shown[1]), photo)
    return picture.matrix @ fit(photo, box, picture.element.get("preserveAspectRatio", ""))


def _other_shape(name: str, drawn: tuple[float, float], photo: Box) -> OpeningsError:
    return OpeningsError(
        f"{name} is drawn {drawn[0]:g} x {drawn[1]:g}, but the photo has {photo[2]:g} x "
        f"{photo[3]:g} pixels, which is another aspect ratio. Draw the openings over this very "
        "photo, turned and cropped as it is, or link the photo they were drawn on as <image>."
    )
