"""What the page is given: jobs, in one object each, and the customer's view of one."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from soffit.shop.decisions import Choose
from soffit.shop.desk import Desk
from soffit.shop.options import options_of
from soffit.shop.runs import Standing
from soffit.shop.tables import ASKING, FAILED, RUNNING, WAITING, Answer, Link, Run

# Of a run's files: those that a person takes away. The rest is for the page.
_FOR_THE_PAGE = ("review", "features", "estimate", "sheet", "screen", "orient",
                 "geometry-before", "geometry-after")
# What a customer is shown without prices: drawings by how their names begin, and keys of the sheet.
# What each change costs is blank in its rows; what else there is, or will be, is left out.
_DRAWN = ("as-received", "as-produced", "by-height", "section-")
_ROWS = ("title", "number", "made_by", "file", "revision", "prepared_for", "date", "process",
         "quantity", "verdict", "clean", "received_hash", "produced_hash", "orientation",
         "ejection", "risk", "open", "changes", "notes", "protected", "limits", "measured", "files",
         "versions", "cautions", "places")
_CHANGE = ("number", "edit", "place", "where", "measure", "unit", "limit", "change", "op", "why",
           "volume_mm3", "plastic", "after", "fails", "sure")


def job_json(desk: Desk, session: Session, at: Standing) -> dict[str, Any]:
    """A job as it stands, with its reports."""
    wanted, leading = at.wanted, at.leading
    resolve, now = at.shown("resolve"), at.run_now("resolve")
    orient = at.run_now("orient")
    state = _state(at)
    base = f"/api/jobs/{at.job.id}"
    before = resolve or at.shown("review")
    turned = at.shown("review")
    if resolve is not None and turned is not None and turned.id > resolve.id and resolve is not now:
        before = turned  # the part stands otherwise now
    return {
        "id": at.job.id, "name": at.revision.file, "created": at.job.created,
        "changed": at.job.changed, "revision": at.revision.number,
        "revisions": [{"number": r.number, "file": r.file, "sha256": r.sha256, "bytes": r.size,
                       "unit": r.unit, "created": r.created} for r in at.revisions],
        "state": state,
        "doing": _doing(desk, at),
        "ask": leading.said if leading is not None and state == ASKING else None,
        "error": leading.error if leading is not None and state == FAILED else None,
        "stale": resolve is not None and resolve is not now,
        "process": wanted.process, "quantity": wanted.quantity, "up": wanted.up,
        "undo": at.folded.undo, "redo": at.folded.redo,
        "decisions": _decisions(at),
        "protected_faces": resolve.said["protected_faces"] if resolve else [],
        "dropped": resolve.said["dropped"] if resolve else [],
        "review": desk.reviewed(at),
        "resolve": desk.result(resolve, "report") if resolve else None,
        "estimate": desk.result(resolve, "estimate") if resolve else None,
        "orient": {"state": orient.state if orient else None,
                   "error": orient.error if orient else None},
        "options": options_of(desk.result, at, resolve),
        "geometry": {
            "before": _url(before, f"{base}/geometry/before", "geometry-before"),
            "after": _url(resolve, f"{base}/geometry/after", "geometry-after"),
        },
        "drawings": _drawings(desk, resolve, base),
        "files": [
            {"role": role, "name": one["name"], "bytes": one["bytes"], "sha256": one["sha256"],
             "url": f"{base}/files/{role}"}
            for role, one in sorted(resolve.results.items())
            if role not in _FOR_THE_PAGE and not role.startswith("drawing/")
        ] if resolve else [],
        "package": f"{base}/package" if resolve else None,
        "signoffs": answers_json(session, at.job.id, resolve),
    }


def line_json(at: Standing) -> dict[str, Any]:
    """A job as one line of a list."""
    run = at.shown("resolve") or at.shown("review")
    return {
        "id": at.job.id, "name": at.revision.file, "created": at.job.created,
        "changed": at.job.changed, "state": _state(at), "revision": at.revision.number,
        "clean": run.said.get("clean") if run else None,
        "over_air_mm2": run.said.get("over_air_mm2") if run else None,
    }


def view_json(desk: Desk, session: Session, at: Standing, link: Link, secret: str
              ) -> dict[str, Any]:
    """What a customer sees: the run that the link was made of, without prices unless it says so.
    What is given is listed here, so that nothing new gets out by itself."""
    run = session.get_one(Run, link.run)
    report, sheet = desk.result(run, "report"), desk.result(run, "sheet")
    drawings = sheet.pop("drawings")
    file = next(r.file for r in at.revisions if r.number == run.revision)
    if not link.prices:
        changes = [{key: value if key in _CHANGE else "" for key, value in row.items()}
                   for row in sheet["changes"]]
        sheet = {**{key: sheet[key] for key in _ROWS}, "changes": changes, "estimate": [],
                 "alternatives": [], "up_why": ""}
        kept = ("id", "finding", "remedy", "op", "volume_mm3", "faces", "why", "after", "at_mm",
                "by_hand")
        report = {
            **{key: report[key] for key in ("schema", "before", "after", "verdict")},
            "edits": [{key: edit[key] for key in kept} for edit in report["edits"]],
        }
    base = f"/api/s/{secret}"
    shown = at.shown("resolve")
    return {
        "name": file, "revision": run.revision, "for": link.whom, "expires": link.expires,
        "current": shown is not None and shown.id == run.id,
        "review": report["before"], "resolve": report, "sheet": sheet,
        "geometry": {state: _url(run, f"{base}/geometry/{state}", f"geometry-{state}")
                     for state in ("before", "after")},
        "drawings": [_drawing(run, base, one) for one in drawings
                     if link.prices or not priced(one["id"])],
        "options": [],
        "signoffs": answers_json(session, at.job.id, run, link),
    }


def priced(drawing: str) -> bool:
    """Whether a drawing may say what something costs."""
    return not drawing.startswith(_DRAWN)


def answers_json(session: Session, job: str, shown: Run | None, link: Link | None = None
                 ) -> list[dict[str, Any]]:
    """All that customers said of a job, oldest first; or by one link."""
    rows = select(Answer).where(Answer.job == job).order_by(Answer.id)
    if link is not None:
        rows = rows.where(Answer.link == link.id)
    return [
        {"edit": a.edit, "answer": a.answer, "name": a.name, "comment": a.comment, "at": a.at,
         "link": a.link, "run": a.run, "current": shown is not None and a.run == shown.id}
        for a in session.scalars(rows)
    ]


def _state(at: Standing) -> str:
    states = [r.state for r in (at.run_now("resolve"), at.run_now("review")) if r is not None]
    for active in (RUNNING, WAITING):
        if active in states:
            return active
    return states[0] if states else WAITING


def _doing(desk: Desk, at: Standing) -> dict[str, Any] | None:
    active = [r for r in at.runs if r.state in (RUNNING, WAITING)]
    active.sort(key=lambda r: (r.state != RUNNING, r.id))
    if not active:
        return None
    run = active[0]
    told = desk.workers.doing.get(at.job.id)
    if told is not None and told["run"] == run.id:
        return told
    words = "waiting" if run.state == WAITING else "starting"
    return {"run": run.id, "kind": run.kind, "stage": words, "words": words, "done": 0, "of": None}


def _decisions(at: Standing) -> dict[str, Any]:
    wanted = at.wanted
    start = wanted.recipe
    return {
        "protect": wanted.protect, "keep_out": wanted.keep_out,
        "choose": {finding: choice.key for finding, choice in wanted.choose.items()},
        "forbid_at": _by_finding(wanted.forbid_at), "forbid": wanted.forbid,
        "prop_at": wanted.prop_at, "no_prop_at": wanted.no_prop_at,
        "prefer": wanted.prefer, "max_deviation_mm": wanted.max_deviation_mm,
        "target_ppm": wanted.target_ppm,
        "recipe": None if start is None else {
            "file": start.file, "edits": start.edits, "keep_out": start.keep_out,
            "forbid_at": start.forbid_at,
            "protect": [p for p in start.protect if p not in wanted.released]},
    }


def _by_finding(said: Iterable[Choose]) -> dict[str, list[str | None]]:
    found: dict[str, list[str | None]] = {}
    for one in said:
        found.setdefault(one.finding, []).append(one.key)
    return found


def _drawings(desk: Desk, run: Run | None, base: str) -> list[dict[str, Any]]:
    if run is None:
        return []
    return [_drawing(run, base, one) for one in desk.result(run, "sheet")["drawings"]]


def _drawing(run: Run, base: str, one: dict[str, Any]) -> dict[str, Any]:
    return {**one, "url": _url(run, f"{base}/drawings/{one['id']}.svg", f"drawing/{one['id']}")}


def _url(run: Run | None, path: str, role: str) -> str | None:
    if run is None or role not in run.results:
        return None
    return f"{path}?v={run.results[role]['sha256'][:16]}"
