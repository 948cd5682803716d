"""Resolve a part: review, weigh options, try, apply, look again, until nothing hangs.

Edits are tried on the mesh, where a boolean and a review take a fraction of a second. The one
that is taken is applied to the B-rep at once and looked at again there, so that the next one
starts from the customer's geometry; where the B-rep kernel refuses it, the next option is
tried. A try that leaves more over air, touches a protected face or enters a keep-out is
rolled back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from soffit.errors import GeometryError, KernelError
from soffit.findings.model import Finding, Review
from soffit.findings.review import SMALLEST_SHARE, review
from soffit.layers.stack import LayerStack, cut_layers
from soffit.part.edit import apply, check_body, make_body
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Body, Change, Floats, Part, Vec3
from soffit.part.place import place
from soffit.part.scene import with_bodies
from soffit.part.solid import box
from soffit.plan.model import OpenFinding, ProtectedFace, Resolution
from soffit.plan.protect import select_faces, touched_face
from soffit.process.model import Process
from soffit.remedies import CHANGES, LAST_RESORT, all_options
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
    before = review(received, process, stack=stack, unattended=True, progress=progress)
    search = _Search(before, stack, frozenset(protected), tuple(keep_out), progress)
    search.run()
    produced, props = search.produced, tuple(search.props)
    after = review(with_bodies(produced, props), process, unattended=True, own=produced.bodies)
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
    return tuple(
        OpenFinding(
            f,
            reason(f)
            or ("no remedy cures it" if f.kind.startswith("air/") else "change it in CAD"),
        )
        for f in after.stopping
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
    # What the B-rep kernel made less of than was meant, of the finding at hand.
    partial: list[_Trial] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.produced = self.before.part
        self.review = self.before
        self.layers = self.stack
        self._areas = _areas_by_origin(self.produced, len(self.before.part.faces))

    @property
    def trial(self) -> Part:
        """The part as produced so far, as a mesh: what options are tried on."""
        return replace(self.produced, brep=None)

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
        """Apply the option that cures, or the one that helps most; else why none does.

        The first that leaves nothing and brings about nothing new is taken; else, of those of
        one rank, the one that leaves least; one that only helps where no prop cures.
        """
        scene = replace(self.review.part, brep=None)
        context = context_of(replace(self.review, part=scene), self.layers)
        helping: list[_Trial] = []
        reasons: list[str] = []
        self.partial.clear()
        for names in (CHANGES, LAST_RESORT):
            options, why_not = all_options(context, finding, names)
            reasons += why_not
            if self._take_cure(finding, options, helping, reasons):
                return None
        least = HELPED_SHARE * finding.area_mm2
        helping += [t for t in self.partial
                    if self.review.over_air_mm2 - t.review.over_air_mm2 >= least]
        helping.sort(key=lambda trial: trial.review.over_air_mm2)
        if self._take_first(finding, helping, reasons):
            return None
        return "; ".join(dict.fromkeys(reasons))

    def _take_cure(
        self, finding: Finding, options: list[Option], helping: list[_Trial], reasons: list[str]
    ) -> bool:
        """Apply the first of `options` that cures; those that only help go to `helping`."""
        curing: list[_Trial] = []
        # Less than the review takes for a patch is nothing.
        nothing = SMALLEST_SHARE * self.review.process.line_mm**2
        known = {signature(f) for f in self.review.air}
        for option in options[:OPTIONS_TRIED]:
            if curing and option.rank > curing[0].option.rank:
                break
            trial = self._try(option)
            if isinstance(trial, str):
                reasons.append(f"{option.remedy}: {trial}")
                continue
            gain = self.review.over_air_mm2 - trial.review.over_air_mm2
            new = sum(f.area_mm2 for f in trial.review.air if signature(f) not in known)
            if gain > finding.area_mm2 - nothing and new <= nothing:
                if self._take_first(finding, [trial], reasons):
                    return True
            elif gain >= CURED_SHARE * finding.area_mm2:
                curing.append(trial)
            elif gain >= HELPED_SHARE * finding.area_mm2:
                helping.append(trial)
            else:
                left = trial.review.over_air_mm2
                reasons.append(f"{option.remedy}: {left:.1f} mm² would still print over air")
        curing.sort(key=lambda trial: round(trial.review.over_air_mm2, 1))
        return self._take_first(finding, curing, reasons)

    def _take_first(self, finding: Finding, trials: list[_Trial], reasons: list[str]) -> bool:
        """Make the first of `trials` that the B-rep kernel allows the part as produced."""
        for trial in trials:
            refused = self._accept(finding, trial)
            if refused is None:
                return True
            reasons.append(f"{trial.option.remedy}: {refused}")
        return False

    def _try(self, option: Option) -> _Trial | str:
        """The part with an option applied and reviewed, or why it is not allowed."""
        edit = f"E{len(self.edits) + 1}"
        part, props = self.trial, list(self.props)
        try:
            if option.op != "cut" and self._enters_keep_out(option):
                return "it would enter a keep-out"
            if option.op == "prop":
                props.append(make_body(f"{edit} {option.remedy}", option.solid, self.trial))
            else:
                change = Change(option.op, option.solid, edit, f"{edit} {option.remedy}")
                part = apply(self.trial, [change])
        except (GeometryError, KernelError) as error:
            return str(error)
        return self._looked_at(option, part, props)

    def _enters_keep_out(self, option: Option) -> bool:
        if not self.keep_out:
            return False
        solid = evaluate(option.solid, self.trial)
        rooms = (evaluate(box(b[:3], b[3:])) for b in self.keep_out)
        return any((solid ^ room).volume() > 1e-6 for room in rooms)

    def _looked_at(self, option: Option, part: Part, props: list[Body]) -> _Trial | str:
        """A changed part reviewed with its props, or which protected face was changed."""
        lost = self._areas - _areas_by_origin(part, len(self._areas))
        for face in sorted(self.protected):
            if lost[face - 1] > AREA_SLACK_MM2:
                return f"it would change protected face {face}"
        if option.op == "prop":
            touched = touched_face(self.before.part, self.protected, props[-1].mesh)
            if touched is not None:
                return f"it would touch protected face {touched}"
        scene = with_bodies(part, props)
        stack = cut_layers(scene, self.review.process)
        found = review(scene, self.review.process, stack=stack)
        known = {f.message for f in self.before.findings}
        for finding in found.findings:
            damage = finding.severity == "blocker" and not finding.kind.startswith("air/")
            if damage and finding.message not in known:
                return finding.message
        return _Trial(option, part, props, found, stack)

    def _in_brep(self, change: Change, meant: _Trial) -> _Trial | str:
        """A change applied to the B-rep and looked at again there; or why it is not taken."""
        if self.progress is not None:
            self.progress("apply", len(self.edits) + 1, len(self.edits) + 1)
        try:
            part = apply(self.produced, [change])
        except (GeometryError, KernelError) as error:
            return str(error)
        trial = self._looked_at(meant.option, part, list(self.props))
        if isinstance(trial, str):
            return trial
        more = trial.review.over_air_mm2 - meant.review.over_air_mm2
        if more > (1.0 - CURED_SHARE) * (self.review.over_air_mm2 - meant.review.over_air_mm2):
            self.partial.append(trial)
            return f"in the B-rep {more:.1f} mm² more would print over air than was meant"
        return trial

    def _accept(self, finding: Finding, trial: _Trial) -> str | None:
        """Make a trial the part as produced; or why the B-rep kernel does not allow that."""
        option = trial.option
        if option.op == "prop":
            try:
                check_body(trial.props[-1], self.produced)
            except (GeometryError, KernelError) as error:
                return str(error)
        elif self.produced.brep is not None and trial.part.brep is None:
            edit = f"E{len(self.edits) + 1}"
            change = Change(option.op, option.solid, edit, f"{edit} {option.remedy}")
            in_brep = self._in_brep(change, trial)
            if isinstance(in_brep, str):
                return in_brep
            trial = in_brep
        edit = f"E{len(self.edits) + 1}"
        count = len(self._areas)
        moved = _areas_by_origin(self.produced, count) - _areas_by_origin(trial.part, count)
        touched = set((np.flatnonzero(np.abs(moved) > AREA_SLACK_MM2) + 1).tolist())
        faces = self.review.part.faces
        touched |= {o for f in finding.faces if (o := faces[f - 1].origin) is not None}
        low, high = np.asarray(evaluate(option.solid, self.trial).bounding_box()).reshape(2, 3)
        x, y, z = (0.5 * (low + high)).tolist()
        self.edits.append(
            Edit(edit, self._received_id(finding), option.remedy, option.op, option.volume_mm3,
                 tuple(sorted(touched)), (x, y, z), (float(low[2]), float(high[2])),
                 option.why, option.after, option.solid)
        )
        brep = self.produced.brep
        self.produced = replace(trial.part, brep=trial.part.brep or brep)
        self.props = trial.props
        self.review, self.layers = trial.review, trial.stack
        return None

    def _received_id(self, finding: Finding) -> str:
        """Id of the same finding in the review of the part as received; "" if it is new."""
        same = (f.id for f in self.before.findings if signature(f) == signature(finding))
        return next(same, "")


@dataclass(frozen=True)
class _Trial:
    option: Option
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
