/** Calls of the desk's API. Every failure is one line that says what to do. */

import type {
  About, ArticleRecord, Check, Decision, Job, JobRow, Link, Logged, Orient, Sheet, Shown, SignOff,
} from "./types";

/** A call that did not do what was asked; the message is for the reader. */
export class DeskError extends Error {
  readonly status: number;

  constructor(message: string, status: number) {
    super(message);
    this.status = status;
  }
}

const GONE = "The desk does not answer. Start it again with soffit desk; nothing decided is lost.";

async function call(method: string, path: string, body?: BodyInit, type?: string): Promise<Response> {
  const headers: Record<string, string> = method === "GET" ? {} : { "X-Soffit": "1" };
  if (type !== undefined) headers["Content-Type"] = type;
  let answer: Response;
  try {
    answer = await fetch(path, { method, headers, body: body ?? null });
  } catch {
    throw new DeskError(GONE, 0);
  }
  if (!answer.ok) throw new DeskError(await reason(answer), answer.status);
  return answer;
}

async function reason(answer: Response): Promise<string> {
  try {
    const told = (await answer.json()) as { error?: unknown };
    if (typeof told.error === "string") return told.error;
  } catch {
    // Not JSON: said below.
  }
  return `The desk answered ${answer.status}. Load the page again.`;
}

async function get<T>(path: string): Promise<T> {
  return (await (await call("GET", path)).json()) as T;
}

async function post<T>(path: string, value?: unknown): Promise<T> {
  const body = value === undefined ? undefined : JSON.stringify(value);
  const answer = await call("POST", path, body, body === undefined ? undefined : "application/json");
  return (answer.status === 204 ? undefined : await answer.json()) as T;
}

const at = (id: string): string => `/api/jobs/${encodeURIComponent(id)}`;
const shown = (secret: string): string => `/api/s/${encodeURIComponent(secret)}`;

export const api = {
  about: () => get<About>("/api/about"),
  login: (token: string) => post<void>("/api/login", { token }),
  jobs: async () => (await get<{ jobs: JobRow[] }>("/api/jobs?limit=200")).jobs,
  job: (id: string) => get<Job>(at(id)),
  sheet: (id: string) => get<Sheet>(`${at(id)}/sheet`),
  unit: (id: string, unit: string) => post<Job>(`${at(id)}/unit`, { unit }),
  decide: (id: string, decision: Decision) => post<Job>(`${at(id)}/decisions`, decision),
  undo: (id: string) => post<Job>(`${at(id)}/undo`),
  redo: (id: string) => post<Job>(`${at(id)}/redo`),
  log: async (id: string) => (await get<{ log: Logged[] }>(`${at(id)}/decisions`)).log,
  cancel: (id: string) => post<Job>(`${at(id)}/cancel`),
  retry: (id: string) => post<Job>(`${at(id)}/retry`),
  turn: (id: string) => post<Job>(`${at(id)}/orient`),
  orient: (id: string) => get<Orient>(`${at(id)}/orient`),
  links: async (id: string) => (await get<{ links: Link[] }>(`${at(id)}/links`)).links,
  link: (id: string, who: string, prices: boolean) =>
    post<Link>(`${at(id)}/links`, { for: who, days: 30, prices }),
  revoke: async (id: string, link: number) => void (await call("DELETE", `${at(id)}/links/${link}`)),
  remove: async (id: string) => void (await call("DELETE", at(id))),
  records: (id: string) => get<{ records: ArticleRecord[] }>(`${at(id)}/records`),
  /** The form of a first article, to be filled in. */
  form: (url: string) => get<{ checks: Check[] }>(url),
  shown: (secret: string) => get<Shown>(shown(secret)),
  answer: (secret: string, answer: Pick<SignOff, "edit" | "answer" | "comment" | "name">) =>
    post<Shown>(`${shown(secret)}/answers`, answer),
  bytes: async (url: string) => (await call("GET", url)).arrayBuffer(),
};

/** Send a file; `told` hears how much of it has gone, 0 to 1. */
export function upload(path: string, file: File, told: (share: number) => void): Promise<Job> {
  return new Promise((resolve, reject) => {
    // fetch does not tell how far an upload is.
    const request = new XMLHttpRequest();
    request.open("POST", path);
    request.setRequestHeader("X-Soffit", "1");
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.responseType = "json";
    request.upload.addEventListener("progress", (event) => {
      if (event.lengthComputable) told(event.loaded / event.total);
    });
    request.addEventListener("error", () => reject(new DeskError(GONE, 0)));
    request.addEventListener("load", () => {
      const answer = request.response as (Job & { error?: string }) | null;
      if (request.status < 300 && answer) resolve(answer);
      else {
        reject(new DeskError(
          answer?.error ?? `The desk answered ${request.status}. Try again.`, request.status));
      }
    });
    request.send(file);
  });
}

/** Add a file as a new job. */
export const addJob = (file: File, told: (share: number) => void): Promise<Job> =>
  upload(`/api/jobs?name=${encodeURIComponent(file.name)}`, file, told);

/** Add a file as the next revision of a job. */
export const addRevision = (id: string, file: File, told: (share: number) => void): Promise<Job> =>
  upload(`${at(id)}/revisions?name=${encodeURIComponent(file.name)}`, file, told);

/** Send a small file of text as the body of a call. */
async function text<T>(method: string, path: string, file: File): Promise<T> {
  const answer = await call(method, `${path}?name=${encodeURIComponent(file.name)}`, await file.text(), "text/plain");
  return (await answer.json()) as T;
}

/** Start from the decisions of a recipe. */
export const putRecipe = (id: string, file: File): Promise<Job> => text("PUT", `${at(id)}/recipe`, file);

/** Add the record of a first article; all records of the job. */
export const addRecord = (id: string, file: File): Promise<{ records: ArticleRecord[] }> =>
  text("POST", `${at(id)}/records`, file);

/** Hear what happens to a job, or to all; `lost` when the desk stops answering. */
export function listen(
  id: string | null,
  heard: (kind: "progress" | "changed", data: Job["doing"]) => void,
  lost: (gone: boolean) => void,
): () => void {
  const source = new EventSource(id === null ? "/api/events" : `${at(id)}/events`);
  source.addEventListener("open", () => lost(false));
  source.addEventListener("error", () => lost(true));
  source.addEventListener("progress", (event) => {
    heard("progress", JSON.parse((event as MessageEvent<string>).data) as Job["doing"]);
  });
  for (const kind of ["changed", "state"]) {
    source.addEventListener(kind, () => heard("changed", null));
  }
  return () => source.close();
}
