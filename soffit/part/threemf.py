"""Reading 3MF (3MF Consortium core specification 1.3, production extension 1.1).

The package is read directly: a bad file must end in a line that names the fault, never in
a crash of native code, and support objects, objects outside the build and mirrored copies
must be told apart. Tests hold the result against the consortium's own library.
"""

from __future__ import annotations

import io
import posixpath
import xml.parsers.expat
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from soffit.errors import FileError
from soffit.part.model import FileNote, Floats, Ints
from soffit.part.raw import MAX_TRIANGLES, RawMesh, weld_exact
from soffit.part.units import unit_named

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
_HARMLESS = (CORE, PRODUCTION, "http://schemas.microsoft.com/3dmanufacturing/material/2015/02",
             "http://schemas.microsoft.com/3dmanufacturing/trianglesets/2021/07")
"""Extensions that may be required of us: the rest would change the shape."""
_LATTICE = "http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02"
_RELATIONS = "http://schemas.openxmlformats.org/package/2006/relationships"
_START_PART = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"

MAX_UNPACKED = 2_000_000_000
"""Most bytes that the models of a package may unpack to (derived: 100 bytes a triangle)."""
MAX_RATIO = 250
"""Most that one entry may shrink by; text of coordinates shrinks by 5 to 30 (measured on real
files), so more is a trap made to fill the memory. Judged only above 10 MB."""
_RATIO_FROM = 10_000_000
_MAX_INSTANCES = 10_000
_MAX_DEPTH = 64
"""Most objects placed and deepest nesting (own limits: components can multiply without end)."""

Matrix = Floats  # (4, 3): a row vector (x, y, z, 1) times this


@dataclass
class _Object:
    id: str
    type: str
    name: str
    vertices: list[float] = field(default_factory=list)
    triangles: list[int] = field(default_factory=list)
    components: list[tuple[str, str, Matrix]] = field(default_factory=list)
    lattice: bool = False


@dataclass
class _Model:
    unit: str = "millimeter"
    objects: dict[str, _Object] = field(default_factory=dict)
    items: list[tuple[str, str, Matrix]] = field(default_factory=list)


def read_3mf(data: bytes, name: str) -> RawMesh:
    """Triangles of everything that a 3MF file says to build, in its own unit.

    Components and transforms are carried out; a mirrored copy keeps its outside out.
    Corners are welded within each object placed, not between objects.

    Raises FileError, naming the fault, for a package that breaks the specification or
    needs an extension that is not read.
    """
    package = _Package(data, name)
    root_path = package.start_part()
    models = {root_path: package.model(root_path, is_root=True)}
    root = models[root_path]
    if not root.items:
        raise package.error("its build section is empty, so there is nothing to make: "
                            "export it with the part on the plate", "file/empty")

    def find(path: str, number: str) -> _Object:
        if path not in models:
            models[path] = package.model(path, is_root=False)
        found = models[path].objects.get(number)
        if found is None:
            raise package.error(f"object {number[:20]} is asked for but {path} does not define it: "
                                f"export it again", "file/conformance")
        return found

    placed: list[tuple[_Object, Matrix]] = []
    reached: set[tuple[str, str]] = set()
    left_out: list[str] = []
    visits = 0

    def place(path: str, number: str, matrix: Matrix, above: tuple[tuple[str, str], ...]) -> None:
        nonlocal visits
        visits += 1
        if visits > _MAX_INSTANCES or len(above) > _MAX_DEPTH:
            raise package.error(f"it places more than {_MAX_INSTANCES} objects, or nests them more "
                                f"than {_MAX_DEPTH} deep: export fewer", "file/too-large")
        here = (path, number)
        if here in above:
            raise package.error(f"object {number[:20]} contains itself: export it again",
                                "file/conformance")
        reached.add(here)
        item = find(path, number)
        if item.type in ("support", "solidsupport"):
            left_out.append(item.name or f"object {number}")
            return
        if item.triangles:
            placed.append((item, matrix))
        elif item.lattice:
            raise package.error(f"object {number[:20]} is a beam lattice without triangles, which "
                                f"is not read: export it as a triangle mesh", "file/extension")
        for child_path, child, inner in item.components:
            place(child_path or path, child, _chain(inner, matrix), (*above, here))

    for path, number, matrix in root.items:
        if root.objects.get(number) is not None and root.objects[number].type == "other":
            raise package.error(f"build item {number[:20]} is of type other, which is not to be "
                                f"built: export it again", "file/conformance")
        place(path or root_path, number, matrix, ())
    total = sum(len(item.triangles) for item, _ in placed) // 3
    if total > MAX_TRIANGLES:
        raise package.error(f"{total} facets are more than {MAX_TRIANGLES}: export it coarser",
                            "file/too-large")
    notes = _notes(root, root_path, reached, left_out)
    if not placed:
        what = "only support objects" if left_out else "no triangles"
        raise package.error(f"its build holds {what}: export it as a triangle mesh", "file/empty")
    vertices, triangles = _merge(placed, package)
    return RawMesh("3MF", vertices, triangles, unit_named(root.unit), notes)


def _notes(root: _Model, root_path: str, reached: set[tuple[str, str]],
           left_out: list[str]) -> tuple[FileNote, ...]:
    notes = []
    if left_out:
        notes.append(FileNote("file/support-objects", "note", f"{len(left_out)} of the build's "
                              f"objects are marked as support and were left out "
                              f"({', '.join(left_out[:3])[:80]})", len(left_out)))
    unbuilt = [o for o in root.objects.values() if (root_path, o.id) not in reached]
    if unbuilt:
        named = ", ".join(o.name or f"object {o.id}" for o in unbuilt[:3])[:80]
        notes.append(FileNote("file/unbuilt-objects", "note", f"{len(unbuilt)} objects are in the "
                              f"file but not in its build, and were not read ({named})",
                              len(unbuilt)))
    return tuple(notes)


def _merge(placed: list[tuple[_Object, Matrix]], package: _Package) -> tuple[Floats, Ints]:
    arrays: dict[int, tuple[Floats, Ints]] = {}
    points, facets, count = [], [], 0
    for item, matrix in placed:
        if id(item) not in arrays:
            vertices = np.array(item.vertices).reshape(-1, 3)
            triangles = np.array(item.triangles, np.int64).reshape(-1, 3)
            bad = (triangles < 0) | (triangles >= len(vertices))
            if bad.any():
                row = int(np.flatnonzero(bad.any(axis=1))[0])
                raise package.error(f"triangle {row + 1} of object {item.id[:20]} names vertex "
                                    f"{triangles[row][bad[row]][0]} (counted from 0) of "
                                    f"{len(vertices)}: export it again", "file/index")
            arrays[id(item)] = weld_exact(vertices, triangles)
        vertices, triangles = arrays[id(item)]
        det = np.linalg.det(matrix[:3])
        if not np.isfinite(matrix).all() or abs(det) < 1e-12:
            raise package.error(f"object {item.id[:20]} is placed by a transform that flattens it: "
                                f"export it again", "file/conformance")
        with np.errstate(over="ignore", invalid="ignore"):
            points.append(vertices @ matrix[:3] + matrix[3])
        facets.append((triangles if det > 0 else triangles[:, ::-1]) + count)
        count += len(vertices)
    return np.concatenate(points), np.concatenate(facets)


def _chain(inner: Matrix, outer: Matrix) -> Matrix:
    with np.errstate(over="ignore", invalid="ignore"):
        turned = inner @ outer[:3]
    turned[3] += outer[3]
    return turned


class _Package:
    """The ZIP archive, checked before anything in it is unpacked."""

    def __init__(self, data: bytes, name: str) -> None:
        self.name = name
        try:
            self.zip = zipfile.ZipFile(io.BytesIO(data))
            self.entries = {"/" + info.filename.lstrip("/").replace("\\", "/"): info
                            for info in self.zip.infolist()}
        except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, OverflowError,
                EOFError, RuntimeError):
            raise self.error("the ZIP archive is damaged or cut short: export or download it "
                             "again", "file/truncated") from None
        self.spent = 0

    def error(self, text: str, kind: str) -> FileError:
        """An error that names the file."""
        return FileError(f"reading {self.name}: {text}", kind)

    def bytes_of(self, path: str) -> bytes:
        """Unpack one entry, after a look at how large it claims to be."""
        info = self.entries.get(path) or next(
            (e for p, e in self.entries.items() if p.lower() == path.lower()), None)
        if info is None:
            raise self.error(f"the package has no {path[:80]}: export it again", "file/conformance")
        if info.file_size > _RATIO_FROM and info.file_size > MAX_RATIO * max(info.compress_size, 1):
            raise self.error(f"{path[:80]} would unpack to {info.file_size / 1e6:.0f} MB, "
                             f"{info.file_size // max(info.compress_size, 1)} times its size, "
                             f"which no real model does: it was not opened", "file/too-large")
        self.spent += info.file_size
        if self.spent > MAX_UNPACKED:
            raise self.error(f"it would unpack to more than {MAX_UNPACKED // 1_000_000} MB: "
                             f"export it coarser", "file/too-large")
        try:
            with self.zip.open(info) as stream:
                data = stream.read(info.file_size + 1)
        except (zipfile.BadZipFile, zlib.error, OSError, ValueError, NotImplementedError,
                RuntimeError, EOFError, OverflowError, MemoryError):
            raise self.error(f"{path[:80]} in the package is damaged, or encrypted: export or "
                             f"download it again", "file/truncated") from None
        if len(data) != info.file_size:
            raise self.error(f"{path[:80]} does not have the size that the package states: export "
                             f"it again", "file/truncated")
        return data

    def start_part(self) -> str:
        """Path of the model that the package's relationships name."""
        found: list[str] = []

        def start(tag: str, attributes: dict[str, str]) -> None:
            if tag == f"{_RELATIONS} Relationship" and attributes.get("Type") == _START_PART:
                found.append(posixpath.normpath("/" + attributes.get("Target", "").lstrip("/")))

        parser = xml.parsers.expat.ParserCreate(namespace_separator=" ")
        parser.StartElementHandler = start
        self.parse(parser, "/_rels/.rels")
        if len(set(found)) != 1:
            raise self.error(f"the package names {len(set(found))} models to start from, not one: "
                             f"export it again", "file/conformance")
        return found[0]

    def parse(self, parser: xml.parsers.expat.XMLParserType, path: str) -> None:
        """Run a parser over one entry; every fault becomes one line."""
        data = self.bytes_of(path)
        if not data.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"<"):
            raise self.error(f"{path[:80]} is not written in UTF-8, which 3MF demands: export it "
                             f"again", "file/conformance")

        def declaration(_version: str, encoding: str | None, _standalone: int) -> None:
            if encoding is not None and encoding.lower() not in ("utf-8", "utf8"):
                raise self.error(f"{path[:80]} states the encoding {encoding[:20]}, but 3MF "
                                 f"demands UTF-8: export it again", "file/conformance")

        def doctype(*_: object) -> None:
            raise self.error(f"{path[:80]} has a document type definition, which 3MF forbids: "
                             f"export it again", "file/conformance")

        parser.XmlDeclHandler = declaration
        parser.StartDoctypeDeclHandler = doctype
        try:
            parser.Parse(data, True)
        except xml.parsers.expat.ExpatError as fault:
            code = xml.parsers.expat.errors.codes.get(
                xml.parsers.expat.errors.XML_ERROR_JUNK_AFTER_DOC_ELEMENT)
            what = ("holds more than one model element" if fault.code == code else
                    f"is not sound XML ({xml.parsers.expat.ErrorString(fault.code)})")
            raise self.error(f"{path[:80]} line {fault.lineno} {what}: export it again",
                             "file/conformance") from None
        except (UnicodeError, LookupError):
            raise self.error(f"{path[:80]} is not written in UTF-8: export it again",
                             "file/conformance") from None

    def model(self, path: str, is_root: bool) -> _Model:
        """Objects and build items of one model part."""
        reader = _ModelReader(self, path)
        parser = xml.parsers.expat.ParserCreate(namespace_separator=" ")
        parser.buffer_text = True
        parser.StartNamespaceDeclHandler = reader.namespace
        parser.StartElementHandler = reader.start
        parser.EndElementHandler = reader.end
        reader.line = lambda: parser.CurrentLineNumber
        self.parse(parser, path)
        if is_root and not reader.has_build:
            raise self.error(f"{path[:80]} has no build element: export it again",
                             "file/conformance")
        return reader.model


class _ModelReader:
    """Handlers for one model part."""

    def __init__(self, package: _Package, path: str) -> None:
        self.package = package
        self.path = path
        self.model = _Model()
        self.prefixes: dict[str, str] = {}
        self.stack: list[str] = []
        self.current: _Object | None = None
        self.ids: set[str] = set()
        self.has_build = False
        self.line: Callable[[], int] = int

    def fault(self, text: str, kind: str = "file/conformance") -> FileError:
        return self.package.error(f"{self.path[:80]} line {self.line()}: {text}: export it again",
                                  kind)

    def namespace(self, prefix: str | None, uri: str | None) -> None:
        self.prefixes[prefix or ""] = uri or ""

    def end(self, tag: str) -> None:
        self.stack.pop()
        if tag == f"{CORE} object":
            self.current = None

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        space, _, local = tag.rpartition(" ")
        self.stack.append(local)
        depth = len(self.stack)
        try:
            if depth == 3 and self.stack[1] == "resources" and "id" in attributes:
                if attributes["id"] in self.ids:
                    raise self.fault(f"two resources have the id {attributes['id'][:20]}")
                self.ids.add(attributes["id"])
            if space == CORE:
                self._core(local, depth, attributes)
            elif local == "beamlattice" and space == _LATTICE and self.current:
                self.current.lattice = True
            elif depth == 1:
                raise self.fault(f"the root element is {local[:40]}, not a 3MF model")
        except KeyError as missing:
            raise self.fault(f"{local} has no {missing.args[0]}") from None
        except ValueError:
            text = " ".join(f"{k}={v[:24]!r}" for k, v in attributes.items())[:120]
            comma = " (decimal commas)" if any("," in v for v in attributes.values()) else ""
            raise self.fault(f"{local} {text} is not made of numbers{comma}",
                             "file/coordinates") from None

    def _core(self, local: str, depth: int, attributes: dict[str, str]) -> None:
        current = self.current
        if local == "vertex" and current is not None:
            current.vertices += (float(attributes["x"]), float(attributes["y"]),
                                 float(attributes["z"]))
        elif local == "triangle" and current is not None:
            current.triangles += (int(attributes["v1"]), int(attributes["v2"]),
                                  int(attributes["v3"]))
        elif local == "object":
            if current is not None or depth != 3:
                raise self.fault("an object stands where none may be")
            kind = attributes.get("type", "model")
            if kind not in ("model", "solidsupport", "support", "surface", "other"):
                raise self.fault(f"object type {kind[:20]!r} is not known")
            self.current = _Object(attributes["id"], kind, attributes.get("name", ""))
            self.model.objects[attributes["id"]] = self.current
        elif local == "component" and current is not None:
            current.components.append(self._reference(attributes))
        elif local == "item":
            self.model.items.append(self._reference(attributes))
        elif local == "build":
            if self.has_build:
                raise self.fault("a second build element")
            self.has_build = True
        elif local == "model":
            if depth != 1:
                raise self.fault("a second model element")
            self.model.unit = attributes.get("unit", "millimeter")
            if self.model.unit not in ("micron", "millimeter", "centimeter", "meter", "inch",
                                       "foot"):
                raise self.fault(f"unit {self.model.unit[:20]!r} is not one that 3MF knows")
            self._required(attributes.get("requiredextensions", ""))
        elif depth == 1:
            raise self.fault(f"the root element is {local[:40]}, not a 3MF model")

    def _required(self, prefixes: str) -> None:
        for prefix in prefixes.split():
            uri = self.prefixes.get(prefix, prefix)
            if uri == _LATTICE:
                raise self.package.error("it requires the beam lattice extension, which is not "
                                         "read: export it as a triangle mesh", "file/extension")
            if uri not in _HARMLESS:
                raise self.package.error(f"it requires the extension {uri[:100]}, which is not "
                                         f"read: export it without", "file/extension")

    def _reference(self, attributes: dict[str, str]) -> tuple[str, str, Matrix]:
        path = attributes.get(f"{PRODUCTION} path", "")
        text = attributes.get("transform")
        matrix = np.vstack([np.eye(3), np.zeros(3)])
        if text is not None:
            numbers = [float(word) for word in text.split()]
            if len(numbers) != 12:
                raise self.fault(f"a transform has {len(numbers)} numbers, not 12")
            matrix = np.array(numbers).reshape(4, 3)
        return path, attributes["objectid"], matrix
