"""Resolve a part: review, weigh options, try, apply, look again, until nothing hangs.

Edits are tried on the mesh, where a boolean and a review take a fraction of a second, and
the accepted ones are then applied to the B-rep. What the B-rep kernel refuses is struck
off and the search starts anew without it. A try that leaves more over air, touches a
protected face or enters a keep-out is rolled back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from soffit.errors import GeometryError, KernelError
from soffit.findings.model import Finding, Review
from soffit.findings.review import review
from soffit.layers.stack import LayerStack, cut_layers
from soffit.part.edit import apply, make_body
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Body, Change, Floats, Part, Vec3
from soffit.part.place import place
from soffit.part.solid import box
from soffit.plan.model import OpenFinding, ProtectedFace, Resolution
from soffit.plan.protect import select_faces
from soffit.plan.scene import with_bodies
from soffit.process.model import Process
from soffit.remedies import all_options
from soffit.remedies.context import context_of
from soffit.remedies.model import Edit, Option

Progress = Callable[[str, int, int], None]
Box = tuple[float, float, float, float, float, float]

# An option cures its finding when so much of its area is no longer over air; what then
# remains is looked at as a finding of its own (derived: strips at the borders of layers).
CURED_SHARE = 0.9

# An option that cures less than this is no cure (from memory).
HELPED_SHARE = 0.3

# Bounds of the search (derived: far above what real parts needed, so that it always ends).
OPTIONS_TRIED = 8
MOST_EDITS = 200
ROUNDS = 4

# A protected face may lose so much area to rounding of coordinates, mm² (derived).
AREA_SLACK_MM2 = 0.02


def resolve(
    part: Part,
    process: Process,
    *,
    up: Literal["keep"] | Vec3 = "keep",
    protect: Sequence[str] = (),
    keep_out: Sequence[Box] = (),
    quantity: int = 1,
    progress: Progress | None = None,
) -> Resolution:
    """`part` changed so that it prints with nothing over air, as far as that can be done.

    `protect`: selectors of faces that stay as they are (see `soffit.plan.protect`).
    `keep_out`: boxes x0, y0, z0, x1, y1, z1 in the build frame, mm, that nothing is added to.
    `after` is the review of the result in memory; writing the files replaces it by the
    review of what was written. Raises InputError for a wrong selector or direction.
    """
    received = place(part, up)
    protected = {
        face: selector for selector in protect for face in select_faces(received, selector)
    }
    stack = cut_layers(received, process)
    before = review(received, process, stack=stack, progress=progress)
    search = _Search(before, stack, frozenset(protected), tuple(keep_out), progress)
    for _ in range(ROUNDS):
        search.run()
        refused = search.commit()
        if not refused:
            break
        search.restart(refused)
    produced, props = search.produced, tuple(search.props)
    after = review(with_bodies(produced, props), process)
    return Resolution(
        received=received,
        produced=produced,
        props=props,
        before=before,
        after=after,
        edits=tuple(search.edits),
        open=open_findings(after, lambda f: search.reasons.get(signature(f), "")),
        protected=measure_protected(received, produced, protected),
        quantity=quantity,
    )


def measure_protected(
    received: Part, produced: Part, protected: dict[int, str]
) -> tuple[ProtectedFace, ...]:
    """How far each protected face is from where it was, on `produced`."""
    if not protected:
        return ()
    from soffit.part.deviation import face_deviation

    found = face_deviation(received, produced, sorted(protected))
    allowed = max(2 * received.deflection_mm, 1e-3)
    return tuple(
        ProtectedFace(face, protected[face], found[face], allowed) for face in sorted(protected)
    )


def open_findings(after: Review, reason: Callable[[Finding], str]) -> tuple[OpenFinding, ...]:
    """What `after` still holds against the part, each with its reason ("" if none is known)."""
    left = [f for f in after.findings if f.severity == "blocker" or f in after.air]
    return tuple(
        OpenFinding(
            f,
            reason(f)
            or ("no remedy cures it" if f.kind.startswith("air/") else "change it in CAD"),
        )
        for f in left
    )


def signature(finding: Finding) -> tuple[object, ...]:
    """What stays the same about a finding while others are resolved around it."""
    x, y, _ = finding.at_mm
    return (finding.kind, finding.patch.layers[1], round(x), round(y))


@dataclass
class _Search:
    """The state of one resolution: the part as tried, and what was accepted so far."""

    before: Review
    stack: LayerStack
    protected: frozenset[int]
    keep_out: tuple[Box, ...]
    progress: Progress | None
    edits: list[Edit] = field(default_factory=list)
    props: list[Body] = field(default_factory=list)
    reasons: dict[tuple[object, ...], str] = field(default_factory=dict)
    banned: set[tuple[object, ...]] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.restart(set())

    def restart(self, refused: set[tuple[object, ...]]) -> None:
        """Begin anew from the part as received, without what the B-rep kernel refused."""
        self.banned |= refused
        self.trial = replace(self.before.part, brep=None)
        self.produced = self.before.part
        self.review = replace(self.before, part=self.trial)
        self.layers = self.stack
        self.edits, self.props, self.reasons = [], [], {}
        self._areas = _areas_by_origin(self.trial, len(self.before.part.faces))
        self._keys: list[tuple[object, ...]] = []

    def run(self) -> None:
        """Cure findings one by one until none is left that any remedy helps."""
        total = len(self.review.air)
        while len(self.edits) < MOST_EDITS:
            waiting = [f for f in self.review.air if signature(f) not in self.reasons]
            if self.progress is not None:
                done = max(0, total - len(waiting))
                self.progress("resolve", done, total)
            if not waiting:
                return
            finding = waiting[0]
            why_not = self._cure(finding)
            if why_not is not None:
                self.reasons[signature(finding)] = why_not

    def _cure(self, finding: Finding) -> str | None:
        """Apply the first option that cures, or the one that helps most; else why none does."""
        context = context_of(self.review, self.layers)
        options, reasons = all_options(context, finding)
        best: tuple[float, Option, _Trial] | None = None
        for option in options[:OPTIONS_TRIED]:
            if (signature(finding), option.remedy) in self.banned:
                reasons.append(f"{option.remedy}: the B-rep kernel refused it")
                continue
            trial = self._try(option)
            if isinstance(trial, str):
                reasons.append(f"{option.remedy}: {trial}")
                continue
            gain = self.review.over_air_mm2 - trial.review.over_air_mm2
            if gain >= CURED_SHARE * finding.area_mm2:
                best = (gain, option, trial)
                break
            if gain >= HELPED_SHARE * finding.area_mm2 and (best is None or gain > best[0]):
                best = (gain, option, trial)
            elif best is None:
                left = trial.review.over_air_mm2
                reasons.append(f"{option.remedy}: {left:.1f} mm² would still print over air")
        if best is None:
            return "; ".join(dict.fromkeys(reasons))
        self._accept(finding, best[1], best[2])
        return None

    def _try(self, option: Option) -> _Trial | str:
        """The part with an option applied and reviewed, or why it is not allowed."""
        edit = f"E{len(self.edits) + 1}"
        solid = evaluate(option.solid, self.trial)
        if option.op != "cut":
            for keep_out in self.keep_out:
                room = evaluate(box(keep_out[:3], keep_out[3:]))
                if (solid ^ room).volume() > 1e-6:
                    return "it would enter a keep-out"
        part, props = self.trial, list(self.props)
        try:
            if option.op == "prop":
                props.append(make_body(f"{edit} {option.remedy}", option.solid, self.trial))
            else:
                change = Change(option.op, option.solid, edit, f"{edit} {option.remedy}")
                part = apply(self.trial, [change])
        except (GeometryError, KernelError) as error:
            return str(error)
        lost = self._areas - _areas_by_origin(part, len(self._areas))
        for face in sorted(self.protected):
            if lost[face - 1] > AREA_SLACK_MM2:
                return f"it would change protected face {face}"
        scene = with_bodies(part, props)
        stack = cut_layers(scene, self.review.process)
        found = review(scene, self.review.process, stack=stack)
        return _Trial(part, props, found, stack)

    def _accept(self, finding: Finding, option: Option, trial: _Trial) -> None:
        edit = f"E{len(self.edits) + 1}"
        count = len(self._areas)
        change = _areas_by_origin(self.trial, count) - _areas_by_origin(trial.part, count)
        touched = set((np.flatnonzero(np.abs(change) > AREA_SLACK_MM2) + 1).tolist())
        faces = self.review.part.faces
        touched |= {o for f in finding.faces if (o := faces[f - 1].origin) is not None}
        low, high = np.asarray(evaluate(option.solid, self.trial).bounding_box()).reshape(2, 3)
        x, y, z = (0.5 * (low + high)).tolist()
        self.edits.append(
            Edit(edit, self._received_id(finding), option.remedy, option.op, option.volume_mm3,
                 tuple(sorted(touched)), (x, y, z), (float(low[2]), float(high[2])),
                 option.why, option.after, option.solid)
        )
        self._keys.append((signature(finding), option.remedy))
        self.trial, self.props = trial.part, trial.props
        self.review, self.layers = trial.review, trial.stack

    def _received_id(self, finding: Finding) -> str:
        """Id of the same finding in the review of the part as received; "" if it is new."""
        same = (f.id for f in self.before.findings if signature(f) == signature(finding))
        return next(same, "")

    def commit(self) -> set[tuple[object, ...]]:
        """Apply the accepted edits to the part as received; what the kernel refuses."""
        part = self.before.part
        if part.brep is None:
            self.produced = self.trial
            return set()
        for k, (edit, key) in enumerate(zip(self.edits, self._keys, strict=True)):
            if self.progress is not None:
                self.progress("apply", k + 1, len(self.edits))
            if edit.op == "prop":
                continue
            change = Change(edit.op, edit.solid, edit.id, f"{edit.id} {edit.remedy}")
            try:
                part = apply(part, [change])
            except (GeometryError, KernelError):
                return {key}
        self.produced = part
        return set()


@dataclass(frozen=True)
class _Trial:
    part: Part
    props: list[Body]
    review: Review
    stack: LayerStack


def _areas_by_origin(part: Part, count: int) -> Floats:
    """Area left of each face of the part as received, (count,) mm²."""
    origin = np.array([f.origin or 0 for f in part.faces], dtype=np.int64)
    areas = np.bincount(
        origin[part.mesh.face_of - 1], weights=part.mesh.areas, minlength=count + 1
    )
    return np.asarray(areas[1 : count + 1], dtype=np.float64)


