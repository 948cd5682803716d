"""Review of a mesh against bare kernel work, and its memory; at most 4× and 12× + 300 MB wanted.

Bare work is what no review can do without: build the kernel's solid, cut it at every layer,
grow each layer by one step and subtract it from the next. Plane-by-plane sections by the
general mesh library stand beside it, at a tenth of the layers, times ten.
"""

from __future__ import annotations

import itertools
import multiprocessing
import statistics
import sys
import time
from collections.abc import Callable

import manifold3d as m3
import numpy as np
import trimesh

from soffit.findings.review import review
from soffit.layers.stack import layer_tops
from soffit.part.manifold import to_manifold
from soffit.part.model import Face, Mesh, Part, Source, Surface
from soffit.part.place import place
from soffit.part.regions import facet_normals
from soffit.process.load import load_process
from soffit.process.model import Process

REFINED = {"1e4": 2, "1e5": 6, "1e6": 20}  # each edge cut in so many, so n² times the facets
RUNS = 3


def block(refined: int) -> Part:
    """A block with a ball, six cross bores, a pocket and a shelf, placed."""
    solid = m3.Manifold.cube((60, 60, 14), center=True)
    solid += m3.Manifold.sphere(16, 48).translate((10, 5, 3))
    solid += m3.Manifold.cube((20, 60, 4)).translate((30, -30, 3))
    solid -= m3.Manifold.cube((18, 18, 8)).translate((-28, -28, -8))
    for k in range(6):
        bore = m3.Manifold.cylinder(80, 1.5 + 0.4 * k, circular_segments=48)
        solid -= bore.rotate((90, 0, 0)).translate((-26 + 9 * k, 40, 1))
    mesh = solid.refine(refined).to_mesh64()
    vertices = np.asarray(mesh.vert_properties)[:, :3].copy()
    triangles = np.asarray(mesh.tri_verts).astype(np.int64)
    normals = facet_normals(vertices, triangles)
    # A face for each direction, in four decimals packed into one number.
    steps = np.round(normals * 1e4).astype(np.int64) + 10_000
    _, first, face = np.unique(steps @ [20_001**2, 20_001, 1], return_index=True,
                               return_inverse=True)
    faces = tuple(
        Face(k, Surface.REGION, 0, 0.0, (0.0, 0.0, 0.0), (x, y, z))
        for k, (x, y, z) in enumerate(np.round(normals[first], 4).tolist(), start=1)
    )
    count = len(triangles)
    data = Mesh(vertices, triangles, face.reshape(-1).astype(np.int64) + 1, normals,
                np.zeros(count, dtype=np.int64))
    return place(Part(Source("block", "stl", "", "mm", "option"), data, faces, 1, True))


def bare(part: Part, process: Process) -> float:
    """Kernel work that no review can do without; returns an area, so that all of it is done."""
    solid = to_manifold(part.mesh)
    assert solid is not None
    tops = layer_tops(part.size_mm[2], process)
    cuts = 0.5 * (tops + np.concatenate([[0.0], tops[:-1]]))
    regions = [solid.slice(z) for z in cuts.tolist()]
    over = 0.0
    for below, above in itertools.pairwise(regions):
        over += (above - below.offset(process.step_mm, m3.JoinType.Round, 2.0, 16)).area()
    return over


def sections(part: Part) -> None:
    """A tenth of the layers by the general mesh library."""
    mesh = trimesh.Trimesh(part.mesh.vertices, part.mesh.triangles, process=False)
    tops = layer_tops(part.size_mm[2], load_process("pla-04"))
    for z in tops[::10].tolist():
        section = mesh.section(plane_origin=(0, 0, z - 0.1), plane_normal=(0, 0, 1))
        if section is not None:
            section.to_2D()


def median_s(work: Callable[[], object]) -> float:
    """Median of some runs, s, after one that does not count."""
    work()
    seconds = []
    for _ in range(RUNS):
        start = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - start)
    return statistics.median(seconds)


def _peak_mb(refined: int, with_review: bool, answer: multiprocessing.Queue[float]) -> None:
    import resource

    part = block(refined)
    if with_review:
        review(part, load_process("pla-04"))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    answer.put(peak / (1024 if sys.platform != "darwin" else 1024**2))


def peak_mb(refined: int, *, with_review: bool) -> float:
    """Greatest memory of a fresh process that builds the block, and reviews it or not, MB."""
    context = multiprocessing.get_context("spawn")
    answer: multiprocessing.Queue[float] = context.Queue()
    child = context.Process(target=_peak_mb, args=(refined, with_review, answer))
    child.start()
    peak = answer.get()
    child.join()
    return peak


def run() -> None:
    process = load_process("pla-04")
    print("  triangles     bare   review  ratio   sections  ratio    memory   allowed")
    for refined in REFINED.values():
        part = block(refined)
        kernel = median_s(lambda part=part: bare(part, process))
        ours = median_s(lambda part=part: review(part, process))
        start = time.perf_counter()
        sections(part)
        library = 10 * (time.perf_counter() - start)
        memory, allowed = "not measured", ""
        if sys.platform != "win32":
            memory = f"{peak_mb(refined, with_review=True):6.0f} MB"
            allowed = f"{12 * part.mesh.nbytes / 1e6 + 300:6.0f} MB"
        print(
            f"  {len(part.mesh.triangles):>9,} {kernel:7.3f}s {ours:7.3f}s {ours / kernel:5.2f}×"
            f" {library:9.2f}s {library / kernel:5.0f}× {memory:>9} {allowed:>9}"
        )
