"""From solids to one closed mesh whose triangles know their face.

Tessellated faces meet in nodes that may differ by rounding, so nodes are never welded
by distance. The kernel discretises each B-rep edge once, and each face says which of its
nodes lie on which edge; a node on an edge is therefore named by (edge, position along
it), a node at an end by its vertex, any other by its face. Nodes of one name are one
vertex of the mesh, so a closed solid gives a closed mesh. Bodies share no vertices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepBuilderAPI import BRepBuilderAPI_NurbsConvert
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepTools import BRepTools
from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher as ShapeMap
from OCP.Poly import Poly_Triangulation
from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE, TopAbs_Orientation, TopAbs_VERTEX
from OCP.TopExp import TopExp
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS, TopoDS_Edge, TopoDS_Face, TopoDS_Shape

from soffit.part.brep.shapes import compound_of, explore, faces_of, map_of
from soffit.part.brep.surfaces import Description, describe, normals
from soffit.part.model import Floats, Ints, Mesh

# About 10° between neighbouring facets, so that even tiny fillets keep their slope
# (common practice, no source).
ANGULAR_RAD = 0.175
# Deflection at which it is asked whether a mesh can be made at all, mm (derived: that of parts; the
# kernel's mesher fails where it sees an outline cross itself, at every fineness).
ASKED_MM = 0.02
# Other deflections to try, as factors, where the first one left a face without a closed mesh:
# the kernel's mesher fails on rare outlines at one fineness and not at the next.
_RETRIES = (1.0, 0.5, 2.0)


@dataclass(frozen=True)
class Tessellation:
    """The mesh of all bodies and what went wrong.

    `forms`: the meshed form of each face, by id; `uv` (m, 2): parameters of each triangle's
    centroid on it. `open_edges`: directed edges without exactly one opposite in their body.
    `failed`: ids of faces that could not be meshed, or not along their edges.
    """

    mesh: Mesh
    forms: tuple[TopoDS_Face, ...]
    uv: Floats
    deflection_mm: float
    open_edges: int
    failed: tuple[int, ...]

    @property
    def closed(self) -> bool:
        return self.open_edges == 0 and not self.failed


@dataclass(frozen=True)
class _Body:
    """A solid and the faces to mesh: its own, or their exact copies as NURBS."""

    solid: TopoDS_Shape
    meshed: TopoDS_Shape
    forms: tuple[TopoDS_Face, ...]

    @staticmethod
    def plain(solid: TopoDS_Shape) -> _Body:
        return _Body(solid, solid, tuple(faces_of(solid)))

    @staticmethod
    def as_nurbs(solid: TopoDS_Shape) -> _Body:
        """The kernel's mesher fails on some cones that it meshes well as NURBS."""
        convert = BRepBuilderAPI_NurbsConvert(solid, True)
        meshed = convert.Shape()
        # Looked up in the whole solid, for there each face has its orientation.
        known = map_of(meshed, TopAbs_FACE)
        forms = (known.FindIndex(convert.ModifiedShape(face)) for face in faces_of(solid))
        return _Body(solid, meshed, tuple(TopoDS.Face(known.FindKey(i)) for i in forms))


def tessellate(solids: Sequence[TopoDS_Shape], deflection_mm: float) -> Tessellation:
    """Mesh the solids.

    Bodies with a face that fails are meshed again as NURBS, then everything finer or
    coarser than asked for, until the mesh is closed; else the best attempt is returned.
    """
    bodies = [_Body.plain(solid) for solid in solids]
    best = _once(bodies, deflection_mm)
    if best.closed:
        return best
    bad = _bad_bodies(best, bodies)
    bodies = [_Body.as_nurbs(b.solid) if i in bad else b for i, b in enumerate(bodies)]
    for factor in _RETRIES:
        found = _once(bodies, factor * deflection_mm)
        if (len(found.failed), found.open_edges) < (len(best.failed), best.open_edges):
            best = found
        if best.closed:
            break
    return best


def can_be_meshed(faces: Sequence[TopoDS_Face]) -> bool:
    """Whether the mesher makes something of each of these faces, as they are or as NURBS, at one
    of the deflections that `tessellate` tries."""
    left = _unmeshed(faces, ASKED_MM)
    for factor in _RETRIES:
        left = [f for f in left if _unmeshed(_Body.as_nurbs(f).forms, factor * ASKED_MM)]
    return not left


def _unmeshed(faces: Sequence[TopoDS_Face], deflection_mm: float) -> list[TopoDS_Face]:
    """Those of some faces that the mesher makes nothing of."""
    compound = compound_of(faces)
    BRepTools.Clean_s(compound)
    BRepMesh_IncrementalMesh(compound, deflection_mm, False, ANGULAR_RAD, False)
    location = TopLoc_Location()
    found = [BRep_Tool.Triangulation_s(face, location) for face in faces]
    left = [f for f, made in zip(faces, found, strict=True)
            if made is None or made.NbTriangles() == 0]
    BRepTools.Clean_s(compound)
    return left


def _bad_bodies(found: Tessellation, bodies: Sequence[_Body]) -> set[int]:
    owner = np.repeat(np.arange(len(bodies)), [len(b.forms) for b in bodies])
    bad = {int(owner[face_id - 1]) for face_id in found.failed}
    mesh = found.mesh
    for body in range(len(bodies)):
        rows = mesh.body_of == body
        if unpaired_edges(mesh.triangles[rows], mesh.body_of[rows]):
            bad.add(body)
    return bad


def unpaired_edges(triangles: Ints, bodies: Ints) -> int:
    """Directed edges (a, b) of a body that do not have exactly one opposite (b, a)."""
    if len(triangles) == 0:
        return 0
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    count = int(triangles.max()) + 1
    body = np.tile(bodies, 3) * count * count
    there, n_there = np.unique(body + edges[:, 0] * count + edges[:, 1], return_counts=True)
    back, n_back = np.unique(body + edges[:, 1] * count + edges[:, 0], return_counts=True)
    once = there[n_there == 1]
    paired = np.intersect1d(once, back[n_back == 1], assume_unique=True)
    return len(edges) - len(paired)


def _once(bodies: Sequence[_Body], deflection_mm: float) -> Tessellation:
    compound = compound_of(body.meshed for body in bodies)
    BRepTools.Clean_s(compound)
    # Not in parallel: the order of nodes would depend on the machine.
    BRepMesh_IncrementalMesh(compound, deflection_mm, False, ANGULAR_RAD, False)
    names = _Names()
    pieces: list[_Piece] = []
    failed: list[int] = []
    face_id = 0
    for index, body in enumerate(bodies):
        names.start_body(body.meshed)
        for face, form in zip(faces_of(body.solid), body.forms, strict=True):
            face_id += 1
            piece = _piece(form, describe(face), face_id, index, names)
            if piece is None:
                failed.append(face_id)
            else:
                pieces.append(piece)
    BRepTools.Clean_s(compound)
    mesh, uv = _joined(pieces, names)
    open_edges = unpaired_edges(mesh.triangles, mesh.body_of)
    forms = tuple(form for body in bodies for form in body.forms)
    return Tessellation(mesh, forms, uv, deflection_mm, open_edges, tuple(failed))


@dataclass(frozen=True)
class _Piece:
    """Mesh of one face; `names` (n,) says which mesh vertex each of its nodes is."""

    face_id: int
    body: int
    points: Floats
    names: Ints
    triangles: Ints
    uv: Floats
    normals: Floats


class _Names:
    """Numbers for mesh vertices, by vertex, by (edge, position) and by (face, node).

    Two names that turn out to be one node of a face are joined.
    """

    def __init__(self) -> None:
        self._parent: list[int] = []
        self._edges = ShapeMap()
        self._vertices = ShapeMap()
        self._of_edge: dict[int, list[int]] = {}
        self._of_vertex: dict[int, int] = {}

    def start_body(self, body: TopoDS_Shape) -> None:
        self._edges = map_of(body, TopAbs_EDGE)
        self._vertices = map_of(body, TopAbs_VERTEX)
        self._of_edge, self._of_vertex = {}, {}

    def new(self) -> int:
        self._parent.append(len(self._parent))
        return len(self._parent) - 1

    def along(self, edge: TopoDS_Edge, count: int) -> list[int] | None:
        """Names of the `count` nodes along an edge; None if another face saw another count."""
        first = self._end(edge, TopExp.FirstVertex_s(edge, False))
        last = self._end(edge, TopExp.LastVertex_s(edge, False))
        if BRep_Tool.Degenerated_s(edge):
            return [first] * count
        key = self._edges.FindIndex(edge)
        known = self._of_edge.get(key)
        if known is None:
            known = [first, *(self.new() for _ in range(count - 2)), last]
            self._of_edge[key] = known
        return known if len(known) == count else None

    def _end(self, edge: TopoDS_Edge, vertex: TopoDS_Shape) -> int:
        # An edge may close on itself without a vertex: both its ends are then one point.
        key = -self._edges.FindIndex(edge) if vertex.IsNull() else self._vertices.FindIndex(vertex)
        if key not in self._of_vertex:
            self._of_vertex[key] = self.new()
        return self._of_vertex[key]

    def join(self, a: int, b: int) -> None:
        a, b = self._root(a), self._root(b)
        self._parent[max(a, b)] = min(a, b)

    def roots(self) -> Ints:
        return np.array([self._root(i) for i in range(len(self._parent))], dtype=np.int64)

    def _root(self, i: int) -> int:
        while self._parent[i] != i:
            self._parent[i] = self._parent[self._parent[i]]
            i = self._parent[i]
        return i


def _piece(
    face: TopoDS_Face, what: Description, face_id: int, body: int, names: _Names
) -> _Piece | None:
    location = TopLoc_Location()
    found = BRep_Tool.Triangulation_s(face, location)
    if found is None or found.NbTriangles() == 0:
        return None
    named = _named_nodes(face, found, location, names)
    if named is None:
        return None
    # By index throughout: to iterate over one of the kernel's arrays takes 0.2 ms before it starts.
    nodes = range(1, found.NbNodes() + 1)
    points = np.array([(p.X(), p.Y(), p.Z()) for p in map(found.Node, nodes)])
    if not location.IsIdentity():
        trsf = location.Transformation()
        matrix = np.array([[trsf.Value(r, c) for c in (1, 2, 3, 4)] for r in (1, 2, 3)])
        points = points @ matrix[:, :3].T + matrix[:, 3]
    rows = range(1, found.NbTriangles() + 1)
    triangles = np.array([t.Get() for t in map(found.Triangle, rows)], dtype=np.int64) - 1
    if face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED:
        triangles = triangles[:, ::-1]
    node_uv = np.array([(p.X(), p.Y()) for p in map(found.UVNode, nodes)])
    uv = node_uv[triangles].mean(axis=1)
    outward = normals(face, what, points[triangles].mean(axis=1), uv)
    return _Piece(face_id, body, points, named, triangles, uv, outward)


def _named_nodes(
    face: TopoDS_Face, found: Poly_Triangulation, location: TopLoc_Location, names: _Names
) -> Ints | None:
    """Name of each node of a face; None if an edge has no nodes, or other ones than before."""
    named = np.full(found.NbNodes(), -1, dtype=np.int64)
    for shape in explore(face, TopAbs_EDGE):
        edge = TopoDS.Edge(shape)
        polygon = BRep_Tool.PolygonOnTriangulation_s(edge, found, location)
        if polygon is None:
            return None
        along = names.along(edge, polygon.NbNodes())
        if along is None:
            return None
        for k, name in enumerate(along, start=1):
            node = polygon.Node(k)
            if named[node - 1] < 0:
                named[node - 1] = name
            elif named[node - 1] != name:
                names.join(int(named[node - 1]), name)
    for node in np.flatnonzero(named < 0).tolist():
        named[node] = names.new()
    return named


def _joined(pieces: Sequence[_Piece], names: _Names) -> tuple[Mesh, Floats]:
    """One mesh from the pieces. Of several positions for a name the first is taken."""
    if not pieces:
        none = np.empty(0, dtype=np.int64)
        empty = Mesh(np.empty((0, 3)), np.empty((0, 3), np.int64), none, np.empty((0, 3)), none)
        return empty, np.empty((0, 2))
    roots = names.roots()
    node_names = np.concatenate([roots[p.names] for p in pieces])
    points = np.concatenate([p.points for p in pieces])
    _, first, vertex_of = np.unique(node_names, return_index=True, return_inverse=True)
    offsets = np.cumsum([0, *(len(p.points) for p in pieces)])
    shifted = [p.triangles + o for p, o in zip(pieces, offsets, strict=False)]
    triangles = vertex_of[np.concatenate(shifted)].astype(np.int64)
    # At a pole or an apex a triangle has two corners in one vertex: it has no area.
    a, b, c = triangles.T
    keep = (a != b) & (b != c) & (c != a)
    sizes = [len(p.triangles) for p in pieces]
    vertices = points[first]
    triangles = triangles[keep]
    outward = np.concatenate([p.normals for p in pieces])[keep]
    mesh = Mesh(
        vertices=vertices,
        triangles=triangles,
        face_of=np.repeat(np.array([p.face_id for p in pieces], np.int64), sizes)[keep],
        normals=_filled(outward, vertices[triangles]),
        body_of=np.repeat(np.array([p.body for p in pieces], np.int64), sizes)[keep],
    )
    return mesh, np.concatenate([p.uv for p in pieces])[keep]


def _filled(outward: Floats, corners: Floats) -> Floats:
    """Where the surface has no normal, the facet's own; +z for a facet without area."""
    bad = ~np.isfinite(outward).all(axis=1)
    if not bad.any():
        return outward
    cross = np.cross(corners[bad, 1] - corners[bad, 0], corners[bad, 2] - corners[bad, 0])
    length = np.linalg.norm(cross, axis=1, keepdims=True)
    up = np.broadcast_to([0.0, 0.0, 1.0], cross.shape)
    filled = outward.copy()
    filled[bad] = np.where(length > 0, cross / np.where(length > 0, length, 1.0), up)
    return filled
