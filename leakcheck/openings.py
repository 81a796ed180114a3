"""Where light may leave the model: windows, beacons, areas to ignore and the model's outline."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import quote, unquote, urlsplit
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from leakcheck.errors import LeakcheckError, OpeningsError
from leakcheck.opening_words import (
    OpeningKind,
    colour_of,
    kind_in_name,
    kind_of,
    misspelt,
    name_of,
    numbered,
)
from leakcheck.photo import Mask, photo_to_frame_px
from leakcheck.polygons import Points, filled, finer, has_area, paint
from leakcheck.svg import Drawing, Matrix, Placed, href, move, parse_svg, photo_matrix

__all__ = [
    "Opening",
    "OpeningKind",
    "Openings",
    "carried",
    "geometry_warnings",
    "label_map",
    "linked_photo",
    "model_mask",
    "read_openings",
    "write_openings",
]

MAX_FILE_BYTES = 20_000_000  # an embedded phone photo still fits
MAX_POINTS = 1_000_000  # of all outlines together, curves bent
FARTHEST_PX = 1e6  # from the photo: no outline is meant there, and numbers lose their digits
LEAST_WIDTH_PX = 0.01  # thinner than anything drawn on purpose, more than rounding leaves
PICTURE_MARKS = (b"\x89PNG", b"\xff\xd8\xff", b"RIFF", b"II*\0", b"MM\0*", b"BM", b"GIF8")
# Painted over one another in this order: a window inside an ignored area is still a window.
PAINT_ORDER: dict[OpeningKind, int] = {"ignore": 0, "window": 1, "beacon": 2}
OUTSIDE_PX = 1.0  # an outline at the photo's very edge may round to just beyond it
CUT_SHARE = 0.05  # of an opening's area outside the model: outlines are not pixel-tight
WARNING_PIXELS = 2_000_000  # of the map on which openings outside the model are counted
STEP_PX = 8.0  # of rings that are bent: a lens bends 8 px by far less than 0.01 px
FILLS = {"window": "#ffcc33", "beacon": "#ff44cc", "ignore": "#8899aa", "model": "none"}


@dataclass(frozen=True, eq=False)
class Opening:
    """One shape of the openings file, in pixels of the photo; a pixel's centre is at (i, j)."""

    name: str
    kind: OpeningKind
    rings: tuple[NDArray[np.float64], ...]  # closed polygons (n, 2) of x, y; filled by even-odd
    colour: str | None = None  # expected colour, one of `opening_words.COLOURS`


@dataclass(frozen=True, eq=False)
class Openings:
    """All shapes of one openings file, fitted to one photo."""

    shapes: tuple[Opening, ...]
    photo: Path | None = None  # the photo they were drawn on, where the file links one
    warnings: tuple[str, ...] = ()  # sentences for the user, each naming its shape
    carried_over: bool = False  # drawn on another photo, so that rims are off by a pixel or two


def read_openings(path: str | Path, *, size: tuple[int, int]) -> Openings:
    """The openings in an SVG drawing or a painted mask, fitted to a photo.

    Args:
        path: SVG, or a picture in which every separate painted area is a window.
        size: columns and rows of the photo: the linked one where `linked_photo` gives one,
            else the lights-on photo.
    Returns: shapes in pixels of that photo, in the file's order.
    Raises: OpeningsError where the file cannot be read, does not fit the photo or draws nothing.
    """
    path = Path(path)
    data = _file_bytes(path)
    with _Guard(path.name):
        if data.startswith(PICTURE_MARKS):
            return _read_painted(data, size=size, name=path.name)
        return _read_drawing(parse_svg(data, path.name), path, size=size)


def linked_photo(path: str | Path) -> Path | None:
    """The photo that an openings file was drawn on, where it links one that may be opened.

    Only a file in the drawing's own folder or below is opened; `read_openings` warns of others.

    Raises: OpeningsError where the file cannot be read.
    """
    path = Path(path)
    data = _file_bytes(path)
    with _Guard(path.name):
        if data.startswith(PICTURE_MARKS):
            return None
        return _photo_link(parse_svg(data, path.name), path)[0]


def label_map(openings: Openings, *, shape: tuple[int, int], scale: int) -> NDArray[np.int32]:
    """Which opening each frame pixel belongs to.

    Args:
        openings: in pixels of the photo.
        shape: rows and columns of the frame.
        scale: photo pixels per frame pixel.
    Returns: (rows, cols); k + 1 where the pixel's centre is inside `shapes[k]`, a window, beacon
        or ignored area; 0 elsewhere. Beacons lie over windows, windows over ignored areas, and
        small shapes over large ones. Every shape gets at least its nearest pixel.
    """
    labels = np.zeros(shape, np.int32)
    wanted = [
        (PAINT_ORDER[opening.kind], -_box_area(opening), index)
        for index, opening in enumerate(openings.shapes)
        if opening.kind in PAINT_ORDER
    ]
    for _, _, index in sorted(wanted):
        paint(labels, _in_frame(openings.shapes[index], scale), index + 1)
    return labels


def model_mask(openings: Openings, *, shape: tuple[int, int], scale: int) -> Mask | None:
    """Where the model is: (rows, cols) in frame pixels; None where the file has no outline."""
    outlines = [opening for opening in openings.shapes if opening.kind == "model"]
    if not outlines:
        return None
    mask = np.zeros(shape, bool)
    for opening in outlines:
        row, column, inside = filled(_in_frame(opening, scale), shape=shape)
        mask[row : row + inside.shape[0], column : column + inside.shape[1]] |= inside
    return mask


def carried(openings: Openings, moved: Callable[[Points], Points]) -> Openings:
    """The openings on another photo.

    Args:
        openings: in pixels of one photo.
        moved: (n, 2) pixels of that photo -> (n, 2) pixels of the other one. Rings get points
            every few pixels first, so that they bend as it bends.
    Returns: the same shapes; one that `moved` sends nowhere is left out with a warning.
    """
    if not openings.shapes:
        return openings
    rings = [finer(ring, step_px=STEP_PX) for shape in openings.shapes for ring in shape.rings]
    ends = np.cumsum([len(ring) for ring in rings])
    parts = iter(np.split(np.asarray(moved(np.concatenate(rings)), float), ends[:-1]))
    shapes = []
    warnings = list(openings.warnings)
    for shape in openings.shapes:
        new = tuple(next(parts) for _ in shape.rings)
        if all(np.isfinite(ring).all() for ring in new):
            shapes.append(replace(shape, rings=new))
        else:
            warnings.append(f"'{shape.name}' cannot be carried to the other photo: left out.")
    return replace(openings, shapes=tuple(shapes), warnings=tuple(warnings))


def geometry_warnings(openings: Openings, *, size: tuple[int, int]) -> tuple[str, ...]:
    """What looks wrong with the openings on a photo of `size` (columns, rows), by name."""
    found = []
    for opening in openings.shapes:
        points = np.concatenate([*opening.rings, np.empty((0, 2))])
        if not has_area(opening.rings, least_px=LEAST_WIDTH_PX):
            found.append(f"'{opening.name}' has no area.")
        elif (points.max(axis=0) < -0.5).any() or (points.min(axis=0) > np.array(size) - 0.5).any():
            found.append(f"'{opening.name}' lies outside the photo.")
        elif (np.abs(points - (np.array(size) - 1) / 2) > np.array(size) / 2 + OUTSIDE_PX).any():
            found.append(f"'{opening.name}' lies partly outside the photo.")
    names = Counter(opening.name for opening in openings.shapes)
    for name, count in names.items():
        if count > 1:
            found.append(f"{count} shapes have the name '{name}'.")
    return (*found, *_cut_off(openings, size=size))


def write_openings(
    openings: Openings, *, size: tuple[int, int], photo_name: str | None = None
) -> str:
    """The openings as the text of an SVG file that `read_openings` and drawing programs read.

    Args:
        openings: in pixels of the photo.
        size: columns and rows of the photo.
        photo_name: the photo to show beneath, as a path from the SVG's folder.
    """
    columns, rows = str(size[0]), str(size[1])
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "xmlns:xlink": "http://www.w3.org/1999/xlink",
            "width": columns,
            "height": rows,
            "viewBox": f"0 0 {columns} {rows}",
        },
    )
    ids = {"photo"}
    if photo_name is not None:
        link = quote(photo_name.replace("\\", "/"))
        place = {"id": "photo", "width": columns, "height": rows, "preserveAspectRatio": "none"}
        # Older programs know the link by its old name only.
        ElementTree.SubElement(root, "image", place | {"href": link, "xlink:href": link})
    for opening in openings.shapes:
        _add_shape(root, opening, ids, stroke_px=max(size) / 1000)
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def _add_shape(
    root: ElementTree.Element, opening: Opening, ids: set[str], *, stroke_px: float
) -> None:
    """One opening as a see-through <path> that names itself in any drawing program."""
    name = "".join(c if c.isprintable() else " " for c in opening.name)
    stem = "".join(c if c.isalnum() or c in "-_." else "-" for c in name) or opening.kind
    stem = stem if stem[0].isalpha() or stem[0] == "_" else f"_{stem}"
    own_id, count = stem, 1
    while own_id in ids:
        count += 1
        own_id = f"{stem}-{count}"
    ids.add(own_id)
    rings = (" L".join(f"{x + 0.5:.3f},{y + 0.5:.3f}" for x, y in ring) for ring in opening.rings)
    fill = FILLS[opening.kind]
    shape = {
        "id": own_id,
        "class": opening.kind,
        "d": " ".join(f"M{ring} Z" for ring in rings),
        "fill": fill,
        "fill-opacity": "0.35",
        "fill-rule": "evenodd",
        "stroke": "#33aaff" if fill == "none" else fill,
        "stroke-width": f"{stroke_px:.2f}",
    }
    if opening.name != own_id:
        shape["data-name"] = name  # ids cannot hold every name, and no name twice
    if opening.colour:
        shape["data-colour"] = opening.colour
    ElementTree.SubElement(ElementTree.SubElement(root, "path", shape), "title").text = name


class _Guard:
    """Any fault of a parser on a strange file is an OpeningsError that names the file."""

    def __init__(self, name: str) -> None:
        self.name = name

    def __enter__(self) -> None:
        return None

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, _: object
    ) -> None:
        if isinstance(fault, Exception) and not isinstance(fault, LeakcheckError):
            raise OpeningsError(
                f"{self.name} cannot be understood ({_short(fault)}). Save it again from the "
                "drawing program as plain SVG, or as PNG where it is painted."
            ) from fault


def _file_bytes(path: Path) -> bytes:
    """The file's content. Raises: OpeningsError where it is none, empty or too large."""
    try:
        if path.is_dir():
            raise OpeningsError(f"{path} is a folder. Name the openings file in it.")
        if not path.exists():
            raise OpeningsError(f"{path} does not exist. Check the name of the openings file.")
        if not path.is_file():
            raise OpeningsError(f"{path} is no ordinary file. Name an SVG or a painted PNG.")
        with path.open("rb") as file:
            data = file.read(MAX_FILE_BYTES + 1)
    except (OSError, ValueError) as fault:
        raise OpeningsError(f"{path} cannot be read ({_short(fault)}).") from fault
    if not data.strip():
        raise OpeningsError(f"{path} is empty. Save the openings again.")
    if len(data) > MAX_FILE_BYTES:
        raise OpeningsError(
            f"{path} is larger than {MAX_FILE_BYTES // 1_000_000} MB. Link the photo instead of "
            "embedding it, and keep only the openings."
        )
    if data.startswith(b"\x1f\x8b"):
        raise OpeningsError(f"{path} is compressed. Save it as plain SVG.")
    return data


def _read_painted(data: bytes, *, size: tuple[int, int], name: str) -> Openings:
    from leakcheck.painted import painted_areas

    areas = painted_areas(data, size=size, name=name)
    return Openings(
        tuple(Opening(f"window-{n}", "window", tuple(rings)) for n, rings in enumerate(areas, 1))
    )


def _read_drawing(drawing: Drawing, path: Path, *, size: tuple[int, int]) -> Openings:
    """The shapes of a drawing as openings in photo pixels."""
    to_photo = photo_matrix(drawing, size, path.name)
    photo, link_warning = _photo_link(drawing, path)
    said = [kind_of(place.nodes) for place in drawing.shapes]
    own = [name_of(place.nodes[0]) for place in drawing.shapes]
    guessed = [
        None if kind else kind_in_name(name or "") for kind, name in zip(said, own, strict=True)
    ]
    kinds: list[OpeningKind] = [
        kind or guess or "window" for kind, guess in zip(said, guessed, strict=True)
    ]
    names = numbered(own, kinds)
    warnings = [*drawing.notes, *([link_warning] if link_warning else [])]
    warnings += _word_warnings(drawing.shapes, names, guessed)
    shapes = []
    points = 0
    for place, name, kind in zip(drawing.shapes, names, kinds, strict=True):
        rings = _photo_rings(place, to_photo, extent=drawing.extent, who=f"{path.name}: '{name}'")
        points += sum(len(ring) for ring in rings)
        if points > MAX_POINTS:
            raise OpeningsError(f"{path.name} is drawn in too many points. Simplify its outlines.")
        if not has_area(rings, least_px=LEAST_WIDTH_PX):
            warnings.append(f"'{name}' has no area and is left out.")
            continue
        shapes.append(Opening(name, kind, rings, colour_of(place.nodes)[0]))
    if not shapes:
        raise OpeningsError(
            f"{path.name} draws no opening that can be seen. Draw a rectangle, ellipse, polygon or "
            "path over every window and beacon, and do not hide it."
        )
    return Openings(tuple(shapes), photo, tuple(warnings))


def _photo_rings(place: Placed, to_photo: Matrix, *, extent: float, who: str) -> tuple[Points, ...]:
    """One shape's rings in photo pixels. Raises: OpeningsError, naming the shape."""
    from leakcheck.svg_outline import outline

    try:
        with np.errstate(all="ignore"):
            rings = [move(ring, to_photo) for ring in outline(place, extent=extent)]
    except (ValueError, TypeError) as fault:  # the SVG library raises both on broken paths
        raise OpeningsError(
            f"{who} cannot be read ({_short(fault)}). Redraw or delete it."
        ) from fault
    if not all((np.abs(ring) < FARTHEST_PX).all() for ring in rings):
        raise OpeningsError(f"{who} lies far away from the photo. Move or delete it.")
    return tuple(rings)


def _word_warnings(
    places: Sequence[Placed], names: Sequence[str], guessed: Sequence[OpeningKind | None]
) -> list[str]:
    """What is doubtful about classes and colours, by name; each group is named once."""
    found = []
    for place, name in zip(places, names, strict=True):
        unknown = colour_of(place.nodes)[1]
        if unknown:
            found.append(f"The expected colour '{unknown}' of '{name}' is not known: not checked.")
        found += [
            f"The class '{word}' of '{name if node is place.nodes[0] else name_of(node) or name}' "
            f"means nothing here; is '{meant}' meant?"
            for node in place.nodes
            for word, meant in misspelt(node)
        ]
    by_name = [f"'{name}'" for name, kind in zip(names, guessed, strict=True) if kind]
    if by_name:
        found.append(f"No class says what {', '.join(by_name)} should be: taken by name.")
    return list(dict.fromkeys(found))


def _photo_link(drawing: Drawing, svg: Path) -> tuple[Path | None, str | None]:
    """The photo a drawing links, or None and why it is not opened."""
    link = href(drawing.picture.element) if drawing.picture is not None else ""
    if not link or link.startswith("data:"):
        return None, None
    parts = urlsplit(link)
    is_drive = len(parts.scheme) == 1  # C:\...
    shown = link[:200]
    used = "the openings count as drawn on the photo that is checked"
    if not is_drive and (parts.scheme not in ("", "file") or parts.netloc not in ("", "localhost")):
        return None, f"{svg.name} links {shown}, which is not on this machine: {used}."
    if "\0" in unquote(parts.path):
        return None, f"{svg.name} links a file of an impossible name: {used}."
    folder = svg.parent.resolve()
    target = (folder / unquote(link if is_drive else parts.path)).resolve()
    if not target.is_relative_to(folder):
        return None, f"{svg.name} links {shown}, which is outside its folder: {used}."
    if not target.is_file():
        return None, f"{svg.name} links {shown}, which is not there: {used}."
    return target, None


def _cut_off(openings: Openings, *, size: tuple[int, int]) -> list[str]:
    """Windows and beacons that reach out of the model's outline."""
    scale = max(1, round(np.sqrt(size[0] * size[1] / WARNING_PIXELS)))
    shape = (-(-size[1] // scale), -(-size[0] // scale))
    model = model_mask(openings, shape=shape, scale=scale)
    found = []
    for opening in openings.shapes:
        if model is None or opening.kind not in ("window", "beacon"):
            continue
        row, column, inside = filled(_in_frame(opening, scale), shape=shape)
        part = model[row : row + inside.shape[0], column : column + inside.shape[1]]
        if (inside & ~part).sum() > CUT_SHARE * inside.sum():
            found.append(f"The model's outline cuts off '{opening.name}', or part of it.")
    return found


def _in_frame(opening: Opening, scale: int) -> list[Points]:
    return [photo_to_frame_px(ring, scale) for ring in opening.rings]


def _box_area(opening: Opening) -> float:
    return float(np.prod(np.ptp(np.concatenate(opening.rings), axis=0)))


def _short(fault: BaseException) -> str:
    return " ".join(str(fault).split())[:100] or type(fault).__name__
