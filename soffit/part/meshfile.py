"""Reading OBJ and PLY: positions and faces only; both state no unit.

A face of more than three corners is cut into triangles in its own mean plane.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from soffit.errors import FileError
from soffit.part.model import Floats, Ints
from soffit.part.raw import MAX_TRIANGLES, RawMesh

_PLY_TYPES = {"char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2",
              "int16": "i2", "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4",
              "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4", "double": "f8",
              "float64": "f8"}


def read_obj(data: bytes, name: str) -> RawMesh:
    """Positions and faces of an OBJ file (`v` and `f`); other statements carry no shape.

    Raises FileError for numbers or indices that cannot be read, or if there is no face.
    """
    points: list[tuple[float, float, float]] = []
    polygons: list[list[int]] = []
    for number, line in enumerate(data.replace(b"\\\r\n", b" ").replace(b"\\\n", b" ")
                                  .splitlines(), 1):
        words = line.split()
        if not words:
            continue
        try:
            if words[0] == b"v":
                points.append((float(words[1]), float(words[2]), float(words[3])))
            elif words[0] == b"f":
                indices = [int(word.split(b"/", 1)[0]) for word in words[1:]]
                polygons.append([i - 1 if i > 0 else len(points) + i for i in indices])
                if len(indices) < 3 or 0 in indices or min(polygons[-1]) < 0:
                    raise ValueError
        except (ValueError, IndexError):
            raise _bad_line(name, number, line) from None
    return _assemble("OBJ", np.array(points, np.float64).reshape(-1, 3), polygons, name)


def read_ply(data: bytes, name: str) -> RawMesh:
    """Positions and faces of a PLY file, text or binary of either byte order.

    Raises FileError for a header or a body that cannot be read, or if there is no face.
    """
    layout, elements, start = _ply_header(data, name)
    try:
        tables = (_ply_text(data[start:], elements, name) if layout == "ascii" else
                  _ply_binary(data[start:], elements, "<" if "little" in layout else ">", name))
    except (ValueError, OverflowError):
        comma = layout == "ascii" and b"," in data[start:]
        raise FileError(f"reading {name}: the body of the PLY has "
                        f"{'decimal commas' if comma else 'a value that is no number'}: "
                        f"export it again", "file/coordinates") from None
    vertex, face = tables.get("vertex", {}), tables.get("face", {})
    key = "vertex_indices" if "vertex_indices" in face else "vertex_index"
    if not {"x", "y", "z"} <= vertex.keys() or key not in face:
        raise FileError(f"reading {name}: the PLY has no vertex x y z, or no face list "
                        f"vertex_indices: export it as a triangle mesh")
    points = np.column_stack([np.asarray(vertex[axis], np.float64) for axis in "xyz"])
    polygons = face[key]
    if isinstance(polygons, np.ndarray):
        polygons = polygons.astype(np.int64)
    return _assemble("PLY", points, polygons, name, single=layout != "ascii")


def _bad_line(name: str, number: int, line: bytes) -> FileError:
    text = line.strip()[:60].decode("ascii", "replace")
    if line.lstrip().startswith(b"v") and b"," in line:
        return FileError(f"reading {name}: line {number} has decimal commas ({text!r}): "
                         f"export it again with decimal points", "file/coordinates")
    return FileError(f"reading {name}: line {number} cannot be read ({text!r}): export it again")


def _assemble(form: str, points: Floats, polygons: Sequence[Sequence[int]] | Ints, name: str,
              single: bool = False) -> RawMesh:
    if not len(polygons):
        raise FileError(f"reading {name}: the {form} holds {len(points)} vertices and no faces: "
                        f"export it as a triangle mesh", "file/empty")
    if isinstance(polygons, np.ndarray):
        triangles = polygons
        top, low = int(triangles.max()), int(triangles.min())
    else:
        top, low = max(map(max, polygons)), min(map(min, polygons))
        triangles = np.empty((0, 3), np.int64)
    if low < 0 or top >= len(points):
        raise FileError(f"reading {name}: a face names vertex {low if low < 0 else top} (counted "
                        f"from 0) of {len(points)}: export it again", "file/index")
    if not isinstance(polygons, np.ndarray):
        cut = [t for p in polygons for t in ((p,) if len(p) == 3 else _triangulate(p, points))]
        triangles = np.array(cut, np.int64).reshape(-1, 3)
    return RawMesh(form, points, triangles, single=single)


def _triangulate(polygon: Sequence[int], points: Floats) -> list[tuple[int, int, int]]:
    """Triangles of one polygon. Convex: a fan; else by the 2D triangulator in its mean plane."""
    p = points[list(polygon)]
    if not np.isfinite(p).all():
        return [(polygon[0], polygon[1], polygon[2])]  # refused by the loader for its numbers
    p = p - p.mean(axis=0)
    after = np.roll(p, -1, axis=0)
    normal = np.cross(p, after).sum(axis=0)  # Newell: twice the area vector
    turns = np.cross(after - p, np.roll(p, -2, axis=0) - after) @ normal
    if (turns >= 0).all() or not normal.any():
        return [(polygon[0], polygon[i], polygon[i + 1]) for i in range(1, len(polygon) - 1)]
    import manifold3d

    from soffit.part.holes import plan_of

    cut = manifold3d.triangulate([np.ascontiguousarray(plan_of(p, normal))])
    return [(polygon[a], polygon[b], polygon[c]) for a, b, c in np.asarray(cut).tolist()]


Property = tuple[str, str, str]  # name, type of the count ("" for a single value), type
Table = dict[str, "Ints | Floats | list[list[int]]"]


def _ply_header(data: bytes, name: str) -> tuple[str, list[tuple[str, int, list[Property]]], int]:
    end = data.find(b"end_header", 0, 1 << 16)
    stop = data.find(b"\n", end)
    if end < 0 or stop < 0:
        raise FileError(f"reading {name}: the PLY header does not end: export it again",
                        "file/truncated")
    layout = ""
    elements: list[tuple[str, int, list[Property]]] = []
    for line in data[:end].decode("latin-1").splitlines()[1:]:
        words = line.split()
        try:
            if not words or words[0] in ("comment", "obj_info"):
                continue
            if words[0] == "format":
                layout = words[1]
            elif words[0] == "element":
                elements.append((words[1], int(words[2]), []))
                if int(words[2]) < 0:
                    raise ValueError
            elif words[0] == "property" and words[1] == "list":
                counter, value = _PLY_TYPES[words[2]], _PLY_TYPES[words[3]]
                if counter[0] == "f" or (value[0] == "f" and words[4].startswith("vertex_ind")):
                    raise ValueError
                elements[-1][2].append((words[4], counter, value))
            elif words[0] == "property":
                elements[-1][2].append((words[2], "", _PLY_TYPES[words[1]]))
            else:
                raise ValueError
        except (ValueError, IndexError, KeyError):
            raise FileError(f"reading {name}: PLY header line {line.strip()[:60]!r} is not "
                            f"understood: export it again") from None
    if layout not in ("ascii", "binary_little_endian", "binary_big_endian"):
        raise FileError(f"reading {name}: PLY format {layout[:40]!r} is not known: export it again")
    for element, count, properties in elements:
        if properties and count > len(data) - stop:  # each takes at least one byte
            raise FileError(f"reading {name}: the header counts {count} × {element[:40]}, more "
                            f"than the file has bytes: it is cut short; export it again",
                            "file/truncated")
        if element == "face" and count > MAX_TRIANGLES:
            raise FileError(f"reading {name}: {count} faces are more than {MAX_TRIANGLES}: "
                            f"export it coarser", "file/too-large")
    return layout, elements, stop + 1


def _cut_short(name: str, element: str) -> FileError:
    return FileError(f"reading {name}: the file ends within its {element[:40]} list: it is cut "
                     f"short; export or download it again", "file/truncated")


def _ply_text(body: bytes, elements: list[tuple[str, int, list[Property]]],
              name: str) -> dict[str, Table]:
    words = body.split()
    at = 0
    tables: dict[str, Table] = {}
    for element, count, properties in elements:
        if not any(kind for _, kind, _ in properties):
            width = len(properties)
            chunk = words[at:at + count * width]
            if len(chunk) < count * width:
                raise _cut_short(name, element)
            at += count * width
            grid = np.array([float(w) for w in chunk]).reshape(count, width)
            tables[element] = {p[0]: grid[:, i] for i, p in enumerate(properties)}
            continue
        lists: dict[str, list[list[int]]] = {p[0]: [] for p in properties if p[1]}
        for _ in range(count):
            for key, kind, _type in properties:
                size = int(words[at]) if kind and at < len(words) else 1
                start = at + 1 if kind else at
                at = start + size
                if size < 0 or at > len(words):
                    raise _cut_short(name, element)
                if kind:
                    lists[key].append([int(w) for w in words[start:at]]
                                      if key.startswith("vertex_ind") else [])
        tables[element] = {**lists}
    return _checked(tables, name)


def _ply_binary(body: bytes, elements: list[tuple[str, int, list[Property]]], order: str,
                name: str) -> dict[str, Table]:
    at = 0
    tables: dict[str, Table] = {}
    for element, count, properties in elements:
        if not properties:
            continue
        # First guess: every list has three entries, so that all records have one size.
        fields: list[tuple[str, str] | tuple[str, str, int]] = []
        for i, (_, kind, value) in enumerate(properties):
            if kind:
                fields += [(f"n{i}", order + kind), (f"p{i}", order + value, 3)]
            else:
                fields.append((f"p{i}", order + value))
        record = np.dtype(fields)
        listed = [i for i, p in enumerate(properties) if p[1]]
        whole = at + count * record.itemsize <= len(body)
        table = np.frombuffer(body, record, count, at) if whole else np.empty(0, record)
        if whole and all((table[f"n{i}"] == 3).all() for i in listed):
            at += count * record.itemsize
            tables[element] = {p[0]: (table[f"p{i}"].astype(np.int64) if p[1] else table[f"p{i}"])
                               for i, p in enumerate(properties)}
        elif not listed:
            raise _cut_short(name, element)
        else:
            tables[element], at = _ply_records(body, at, element, count, properties, order, name)
    return _checked(tables, name)


def _ply_records(body: bytes, at: int, element: str, count: int, properties: list[Property],
                 order: str, name: str) -> tuple[Table, int]:
    """Records of varying size, one at a time."""
    lists: dict[str, list[list[int]]] = {p[0]: [] for p in properties if p[1]}
    for _ in range(count):
        for key, kind, value in properties:
            size = 1
            if kind:
                counter = np.dtype(order + kind)
                if at + counter.itemsize > len(body):
                    raise _cut_short(name, element)
                size = int(np.frombuffer(body, counter, 1, at)[0])
                at += counter.itemsize
            item = np.dtype(order + value)
            if size < 0 or at + size * item.itemsize > len(body):
                raise _cut_short(name, element)
            if kind:
                lists[key].append(np.frombuffer(body, item, size, at).astype(np.int64).tolist())
            at += size * item.itemsize
    return {**lists}, at


def _checked(tables: dict[str, Table], name: str) -> dict[str, Table]:
    for key, value in tables.get("face", {}).items():
        if key.startswith("vertex_ind") and isinstance(value, list):
            short = next((i for i, p in enumerate(value) if len(p) < 3), None)
            if short is not None:
                raise FileError(f"reading {name}: face {short + 1} has fewer than 3 corners: "
                                f"export it again")
    return tables
