"""What the calls answer, for the documents: each is what `shown` makes. Reports are those of the
commands, whose schemas are published in docs/schema."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Report = dict[str, Any]
State = Literal["asking", "queued", "running", "done", "failed", "cancelled"]
Hash = str


class _Form(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Problem(_Form):
    """Any answer of 4xx: one line that says what to do."""

    error: str


class RevisionForm(_Form):
    """One file of a job; `unit` where a person stated it."""

    number: int
    file: str
    sha256: Hash
    bytes: int
    unit: str | None
    created: str


class Doing(_Form):
    """What is under way, in words, and how far it is."""

    run: int
    kind: Literal["review", "resolve", "orient"]
    stage: str
    words: str
    done: int
    of: int | None


class Ask(_Form):
    """The extents of a file in each unit, as it states none, and which is likely."""

    sizes_mm: dict[str, tuple[float, float, float]]
    guess: str | None


class StartForm(_Form):
    """A recipe that the decisions start from."""

    file: str
    edits: int
    keep_out: int
    protect: list[str]
    forbid_at: int


class DecisionsForm(_Form):
    """What is decided; `choose` and `forbid_at` by finding, each with keys of options."""

    protect: list[str]
    keep_out: list[list[float]]
    choose: dict[str, str]
    forbid_at: dict[str, list[str]]
    forbid: list[str]
    prop_at: list[list[float]]
    no_prop_at: list[list[float]]
    prefer: str
    max_deviation_mm: float | None
    target_ppm: float | None
    recipe: StartForm | None


class OptionForm(_Form):
    """An option of a finding, as in `soffit.resolve/1`, the key to choose or forbid it by, and
    whether it is forbidden for this finding."""

    key: str
    finding: str
    remedy: str
    op: Literal["add", "cut", "prop"]
    volume_mm3: float
    cost: dict[str, float]
    safety: str
    why: str
    outcome: str
    chosen: bool
    variant: str
    forbidden: bool


class OrientForm(_Form):
    """How far the search for a way up is; None: nobody asked for it."""

    state: State | None
    error: str | None


class GeometryForm(_Form):
    """Where the triangles are, as soon as there are any."""

    before: str | None
    after: str | None


class DrawingForm(_Form):
    """A drawing of the change sheet."""

    id: str
    title: str
    url: str


class FileForm(_Form):
    """A file of the resolution."""

    role: str
    name: str
    bytes: int
    sha256: Hash
    url: str


class SignoffForm(_Form):
    """What a customer said of a change, or of all (""); `current`: of what is shown now."""

    edit: str
    answer: Literal["approve", "decline", "comment"]
    name: str
    comment: str
    at: str
    link: int
    run: int
    current: bool


class JobForm(_Form):
    """A job as it stands."""

    id: str
    name: str
    created: str
    changed: str
    revision: int
    revisions: list[RevisionForm]
    state: State
    doing: Doing | None
    ask: Ask | None
    error: str | None
    stale: bool
    process: str
    quantity: int
    up: Literal["keep", "auto"] | tuple[float, float, float]
    undo: str | None
    redo: str | None
    decisions: DecisionsForm
    protected_faces: list[int]
    dropped: list[str]
    review: Report | None
    resolve: Report | None
    estimate: Report | None
    orient: OrientForm
    options: list[OptionForm]
    geometry: GeometryForm
    drawings: list[DrawingForm]
    files: list[FileForm]
    package: str | None
    signoffs: list[SignoffForm]


class JobLine(_Form):
    """A job in a list."""

    id: str
    name: str
    created: str
    changed: str
    state: State
    revision: int
    clean: bool | None
    over_air_mm2: float | None


class JobList(_Form):
    """The jobs, newest first."""

    jobs: list[JobLine]


class LogLine(_Form):
    """One line of the log of decisions."""

    seq: int
    at: str
    what: str
    value: Any
    revision: int


class Log(_Form):
    """All of it, oldest first."""

    log: list[LogLine]


class LinkForm(_Form):
    """A customer's link, without its secret."""

    id: int
    whom: str = Field(alias="for")
    prices: bool
    created: str
    expires: str
    revoked: str | None


class NewLink(LinkForm):
    """A link that was just made, with the path that holds its secret."""

    path: str


class LinkList(_Form):
    """The links of a job."""

    links: list[LinkForm]


class ViewForm(_Form):
    """What a customer sees. `resolve` has no prices and no estimate unless the link shows them."""

    name: str
    revision: int
    whom: str = Field(alias="for")
    expires: str
    current: bool
    review: Report
    resolve: Report
    sheet: Report
    geometry: GeometryForm
    drawings: list[DrawingForm]
    options: list[OptionForm]
    signoffs: list[SignoffForm]


class RecordForm(_Form):
    """A first article, held against its limits; `altered`: in what its form is not as it was
    written, a sentence each. Such a record does not pass."""

    id: int
    created: str
    file: str
    sha256: Hash
    passed: bool
    rows: list[dict[str, Any]]
    altered: list[str]


class RecordList(_Form):
    """Those of a job."""

    records: list[RecordForm]


class Ways(_Form):
    """The ways up (`soffit.orient/1`), and of each direction looked at x, y, z and the area over
    air, mm²."""

    orient: Report
    screen: list[tuple[float, float, float, float]]
