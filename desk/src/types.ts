/** The answers of the desk's API, as far as the page reads them. */

export interface Finding {
  id: string;
  kind: string;
  severity: "blocker" | "marginal" | "note";
  z_mm: [number, number];
  at_mm: [number, number, number];
  area_mm2: number;
  reach_mm: number | null;
  span_mm: number | null;
  limit: number | null;
  faces: number[];
  message: string;
}

export interface Review {
  findings: Finding[];
  part: {
    file: string;
    sha256: string;
    unit: string;
    size_mm: [number, number, number];
    volume_mm3: number;
    bodies: number;
    faces: number;
    triangles: number;
    closed: boolean;
  };
  process: { name: string; layer_mm: number };
  totals: { over_air_mm2: number };
}

export interface Cost {
  price: number;
  plastic_mm3: number;
  machine_s: number;
  labour_s: number;
  deviation_mm: number;
}

export interface Edit {
  id: string;
  finding: string;
  remedy: string;
  op: "add" | "cut" | "prop";
  at_mm: [number, number, number];
  volume_mm3: number;
  why: string;
}

export interface Figures {
  plastic_g: number;
  plastic_mm3?: number;
  time_s: number;
  machine_s: number;
  labour_s: number;
  price_each?: number;
}

export interface Resolve {
  before: Review;
  after: Review;
  edits: Edit[];
  verdict: { clean: boolean; open: { finding: Finding; reason: string }[] };
  estimate: { as_received?: Figures; slicer_supported?: Figures; resolved?: Figures } | null;
  risk?: { total_ppm: number; uncalibrated: string[] } | null;
}

export interface Option {
  key: string;
  finding: string;
  remedy: string;
  op: "add" | "cut" | "prop";
  volume_mm3: number;
  cost: Cost | null;
  safety: string;
  why: string;
  outcome: string;
  chosen: boolean;
}

export interface SignOff {
  edit: string;
  answer: "approve" | "decline" | "comment";
  name: string;
  comment: string;
  at: string;
  current: boolean;
}

export type State = "asking" | "queued" | "running" | "done" | "failed" | "cancelled";
export type Vec3 = [number, number, number];
export type Box = [number, number, number, number, number, number];

export interface Job {
  id: string;
  name: string;
  created: string;
  changed: string;
  revision: number;
  revisions: { number: number; file: string; sha256: string; bytes: number; unit: string | null }[];
  state: State;
  doing: { kind: string; stage: string; words: string; done: number; of: number | null } | null;
  ask: { sizes_mm: Record<string, Vec3>; guess: string } | null;
  error: string | null;
  stale: boolean;
  process: string;
  quantity: number;
  up: "keep" | "auto" | Vec3;
  undo: string | null;
  redo: string | null;
  decisions: {
    protect: string[];
    keep_out: Box[];
    choose: Record<string, string>;
    forbid: string[];
    prefer: string;
    recipe: { file: string; edits: number } | null;
  };
  protected_faces: number[];
  dropped: string[];
  review: Review | null;
  resolve: Resolve | null;
  orient: { state: "queued" | "running" | "done" | "failed" | null };
  options: Option[];
  geometry: { before: string | null; after: string | null };
  files: { role: string; name: string; bytes: number; sha256: string; url: string }[];
  package: string | null;
  signoffs: SignOff[];
}

/** One entry of the log of decisions: undo and redo are entries, too. */
export interface Logged {
  seq: number;
  at: string;
  by: string;
  what: string;
  value: unknown;
  revision: number;
}

/** One thing to measure on a first article; of unit "yes/no" the answer is to be "yes". */
export interface Check {
  id: string;
  what: string;
  how: string;
  unit: string;
  nominal: number | null;
  low: number | null;
  high: number | null;
  source: string;
}

export interface Measured extends Check {
  measured: string;
  state: "in" | "out" | "not measured" | "noted";
}

/** A first article, held against its limits. */
export interface ArticleRecord {
  id: number;
  created: string;
  file: string;
  passed: boolean;
  rows: Measured[];
}

export interface JobRow {
  id: string;
  name: string;
  created: string;
  changed: string;
  state: State;
  revision: number;
  clean: boolean | null;
  over_air_mm2: number | null;
}

export interface OpenRow {
  number: string;
  place: string;
  where: string;
  measure: string;
  unit: string;
  limit: string;
  reason: string;
}

export interface ChangeRow extends Omit<OpenRow, "reason"> {
  edit: string;
  change: string;
  op: "add" | "cut" | "prop";
  why: string;
  volume_mm3: number;
  after: string;
  fails: string;
  sure: string;
}

export interface Sheet {
  title: string;
  number: string;
  file: string;
  revision: string;
  date: string;
  process: string;
  quantity: number;
  verdict: string;
  clean: boolean;
  received_hash: string;
  produced_hash: string;
  orientation: string;
  up_why: string;
  ejection: string;
  risk: string[];
  open: OpenRow[];
  changes: ChangeRow[];
  notes: { number: string; place: string; text: string }[];
  protected: {
    face: string;
    selector: string;
    deviation_mm: number;
    allowed_mm: number;
    untouched: boolean;
  }[];
  limits: { name: string; value: string; unit: string; source: string; grade: string }[];
  measured: { name: string; unit: string; values: string[] }[];
  estimate: { name: string; unit: string; values: string[] }[];
  files: { what: string; sha256: string }[];
  versions: string;
  cautions: string[];
  places?: { number: string; finding: string; received: boolean; edits: string[] }[];
}

export interface About {
  version: string;
  shared: boolean;
  signed_in: boolean;
  processes: { name: string; title: string }[];
  units: string[];
  limits: { upload_bytes: number };
}

export interface WayUp {
  up: Vec3;
  over_air_mm2: number;
  places: number;
  price: number;
  height_mm: number;
}

export interface Orient {
  orient: {
    named: { way_up: number; best_at: string[]; why: string }[];
    ways_up: WayUp[];
  };
  screen: [number, number, number, number][];
}

export interface Link {
  id: number;
  for: string;
  created: string;
  expires: string;
  revoked: string | null;
  path?: string;
}

/** What a customer sees of a job. */
export interface Shown {
  name: string;
  revision: number;
  for: string;
  expires: string;
  current: boolean;
  review: Review | null;
  resolve: Resolve | null;
  sheet: Sheet | null;
  geometry: { before: string | null; after: string | null };
  signoffs: SignOff[];
}

export type Decision =
  | { choose: { finding: string; key: string | null } }
  | { protect: (number | string)[] }
  | { unprotect: (number | string)[] }
  | { keep_out: Box }
  | { drop_keep_out: number }
  | { up: "keep" | "auto" | Vec3 }
  | { process: string }
  | { quantity: number }
  | { prefer: string };
