"""Which way up: searched over all directions, decided by layers.

Directions are the part as drawn, each flat side that it can rest on, the axes of its holes, and
`AROUND` more spread over the sphere. All are screened by depth (`depth`); the best of those that
are no flat side are moved about a little while that makes them better. Of directions that look
the same, as those of a symmetric part do, the first is kept. The best few are cut in layers
(`finalists`) and put in order: those whose foot is too small for their height, by the measure of
`bed/footprint`, come after those that stand, the worse the later; then those with nothing over air;
then by what the part costs, cured, the part as drawn a little cheaper, as who drew it had a reason;
then the lower.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from soffit.orient.depth import Depth
from soffit.orient.directions import Direction, directions
from soffit.orient.finalists import MOST_MPA, measured_all
from soffit.orient.measure import Aims, Orientation, Task
from soffit.part.fits import across
from soffit.part.model import Floats, Mesh, Part, Vec3, vec3
from soffit.part.spread import Team
from soffit.process.cost import price_of
from soffit.process.deposit import flow_mm3_s
from soffit.process.model import Process

Progress = Callable[[str, int, int], None]

# Directions spread over the sphere (own choice: 3° apart), and finalists that are cut in layers.
AROUND = 5_000
FINALISTS = 16

# Directions, likeliest first by what they have over air and how they rest, of which the room below
# is asked for (own choice: of those that stand there are seldom more).
LIKELY = 256

# A foot that is pulled at by so many times what it holds, as screened, does not hold the part when
# it is cut in layers (own choice: flat feet are exact, curved ones are not); so many finalists at
# most are such.
SURE_TO_FALL, FALLING = 1.5, 3

# The best of the directions all round that are moved about, and by how much at first, in steps
# around each, each round by half of it (derived: from half their spacing down to an eighth of it).
REFINED = 8
FIRST_DEG, ROUNDS, STEPS = 2.0, 3, 6

# A direction that is nearer to a better one is left to that, degrees (own choice: twice the spacing
# of those all round), but for flat sides that are no facet of something round: of at least this
# share of the largest (from memory).
NEAR_DEG, SIDE_SHARE = 6.0, 0.05

# Two directions look the same where all measures of them agree within this share (derived: rounding
# is far below, and what differs by less costs the same).
SAME = 1e-5

# Directions of which the rooms are asked for at once (own choice: a few hundredths of a second).
AT_ONCE = 250

# Share of the room of a support that it is taken to cost, as plastic (`cure.PROP_SHARE` of it, and
# what is laid around it; own choice, to screen only).
ROOM_SHARE = 0.1


@dataclass(frozen=True)
class Screen:
    """What the screen found of each direction, (n,): plan area over air, height, the area with
    which the part rests on the platform, and how hard its rim is pulled at, MPa; that part of the
    area over air that is over the part itself and the room below all of it, mm³, not a number where
    neither was asked for; and the price that is expected beside what every way up costs."""

    over_mm2: Floats
    height_mm: Floats
    rests_mm2: Floats
    pull_mpa: Floats
    shadowed_mm2: Floats
    room_mm3: Floats
    score: Floats


@dataclass(frozen=True)
class Search:
    """All that was looked at: directions, what the screen found of them, and the finalists, best
    first."""

    directions: tuple[Direction, ...]
    screen: Screen
    finalists: tuple[Orientation, ...]


def search(
    part: Part, process: Process, aims: Aims | None = None, *, around: int = AROUND,
    upwards: Vec3 | None = None, every_room: bool = False, most: int = FINALISTS,
    progress: Progress | None = None,
) -> Search:
    """Look at all ways up of a part, in its present frame. `upwards`: the one that is asked for,
    which then comes first whatever it costs, and the others beside it tell what that is.
    `every_room`: whether the room below is asked for of every direction, which takes longer and
    changes no choice. `most`: finalists."""
    tell = progress or (lambda _stage, _done, _total: None)
    task = Task(part, process, aims or Aims())
    with Team("soffit.orient.measure:looked_at", task) as team:
        depth = task.depth
        every = directions(part, around, upwards)
        # By helpers, while the others are screened and measured.
        ups = np.array([d.up for d in every])
        rooms = team.beside([ups[k : k + AT_ONCE] for k in range(0, len(ups), AT_ONCE)]
                            if every_room else [])
        found = _screened(depth, every, process)
        if better := _refined(depth, process, every, found.score):
            every += better
            found = _joined(found, _screened(depth, better, process))
        # The part as drawn, and what is asked for right behind it, are finalists in any case.
        first = 1 if upwards is None else 2
        asked = None if upwards is None else every[1].up
        chosen = [every[k] for k in _finalists(part.mesh, every, found, first, most, process)]
        finalists = measured_all(team, chosen, first, asked,
                                 lambda done, of: tell("orient", done, of))
        if every_room:
            each = rooms(lambda done, of: tell("rooms", done, of))
            # What was found by moving the best about was measured at once.
            shadowed, room = np.concatenate(
                [*each, [found.shadowed_mm2[len(ups):], found.room_mm3[len(ups):]]], axis=1)
            found = replace(found, shadowed_mm2=shadowed, room_mm3=room)
    return Search(tuple(every), found, finalists)


def _screened(depth: Depth, every: Sequence[Direction], process: Process) -> Screen:
    """What is found of directions; the room below only of those that may be chosen."""
    ups = np.array([d.up for d in every])
    over, height, rests, pull = depth.facing(ups)
    pull *= process.drag_n
    shadowed, room = np.full(len(ups), np.nan), np.full(len(ups), np.nan)
    likely = np.argsort(_score(over, height, pull, room, process, depth.laid_mm3),
                        kind="stable")[:LIKELY]
    shadowed[likely], room[likely] = depth.below(ups[likely])
    return Screen(over, height, rests, pull, shadowed, room,
                  _score(over, height, pull, room, process, depth.laid_mm3))


def _joined(one: Screen, other: Screen) -> Screen:
    """What was found of some directions and then of others."""
    return Screen(*(np.concatenate([getattr(one, f.name), getattr(other, f.name)])
                    for f in fields(Screen)))


def _score(
    over_mm2: Floats, height_mm: Floats, pull_mpa: Floats, room_mm3: Floats, process: Process,
    laid_mm3: float,
) -> Floats:
    """What each direction is expected to cost beside what all cost, in the currency of the process;
    more for a foot that seems too small."""
    # However low it is, what it takes must be laid; however little that is, layers take their time.
    layer_s = process.motion.min_layer_time_s.value / process.layer_mm
    flow = flow_mm3_s(process, process.motion.speed_mm_s.value)
    time_s = np.maximum(laid_mm3 / flow, layer_s * height_mm)
    # A wedge below one place as wide as it is deep, or a part of the room where that is known.
    volume = np.fmin(0.25 * over_mm2 * np.sqrt(over_mm2), ROOM_SHARE * room_mm3)
    falls = np.maximum(0.0, np.log2(np.clip(pull_mpa, 1e-9, MOST_MPA)
                                    / process.capability.adhesion_mpa.value))
    # By area too: of two with as much room below, that with less to hold.
    return np.asarray(price_of(process, 0.0, 1.0) * time_s
                      + price_of(process, 1.0, 0.0) * (volume + over_mm2) + falls)


def _refined(
    depth: Depth, process: Process, every: Sequence[Direction], score: Floats
) -> list[Direction]:
    """Better directions near the best of those all round, where there are any."""
    best = [int(k) for k in np.argsort(score, kind="stable") if every[k].origin == "all round"]
    made: list[Direction] = []
    for k in best[:REFINED]:
        up, least = np.array(every[k].up), float(score[k])
        for step in range(ROUNDS):
            near = _around(up, math.radians(FIRST_DEG * 0.5**step))
            over, height, _, pull = depth.facing(near)
            scores = _score(over, height, process.drag_n * pull, depth.below(near)[1], process,
                            depth.laid_mm3)
            at = int(np.argmin(scores))
            if scores[at] < least:
                up, least = near[at], float(scores[at])
        if least < score[k]:
            made.append(Direction(vec3(up), "all round"))
    return made


def _around(up: Floats, angle: float) -> Floats:
    """Directions in a ring around one, (STEPS, 3)."""
    x, y = across(up)
    turn = 2.0 * np.pi * np.arange(STEPS) / STEPS
    ring = np.outer(np.cos(turn), x) + np.outer(np.sin(turn), y)
    return np.asarray(math.cos(angle) * up + math.sin(angle) * ring)


def _finalists(
    mesh: Mesh, every: Sequence[Direction], found: Screen, first: int, most: int,
    process: Process,
) -> list[int]:
    """The first so many, and in turn the best by score, by area over air and by the room below,
    but for those that look the same as one before, and those that are sure to fall where there are
    others."""
    falls = found.pull_mpa > SURE_TO_FALL * process.capability.adhesion_mpa.value
    ups = np.array([d.up for d in every])
    middle = mesh.corners.mean(axis=1)
    like = {k: _looks(mesh, middle, ups[k], found, k) for k in range(min(first, len(every)))}
    sides = [k for k, d in enumerate(every) if d.share >= SIDE_SHARE]
    chosen = list(like)
    # What does not stand comes after all that do, by whatever it is ranked.
    orders = [np.lexsort([measure, falls]) for measure in (
        found.score, found.over_mm2, np.where(np.isnan(found.room_mm3), np.inf, found.room_mm3))]
    for k in np.column_stack(orders).reshape(-1).tolist():
        if len(chosen) >= most:
            break
        if k in chosen or (falls[k] and len(chosen) >= FALLING):
            continue
        near = ups[[*sides, *chosen]] @ ups[k] > math.cos(math.radians(NEAR_DEG))
        if every[k].share < SIDE_SHARE and near.any():
            continue
        looks = _looks(mesh, middle, ups[k], found, k)
        if not np.isclose(looks, list(like.values()), rtol=SAME, atol=SAME).all(axis=1).any():
            chosen.append(k)
            like[k] = looks
    return chosen


def _looks(mesh: Mesh, middle: Floats, up: Floats, found: Screen, k: int) -> Floats:
    """What is the same of a part turned or mirrored onto itself, of the direction k that is up: its
    height, what rests and what hangs, how high its surface lies on the mean, and how that is
    spread, (5,). `middle`: of each facet, (m, 3)."""
    height, area = middle @ up, mesh.areas
    height -= (mesh.vertices @ up).min()
    total = max(float(area.sum()), 1e-12)
    mean = float(area @ height) / total
    spread = float(area @ (height - mean) ** 2) / total
    return np.array([found.height_mm[k], mean, math.sqrt(spread), math.sqrt(found.rests_mm2[k]),
                     math.sqrt(found.over_mm2[k])])
