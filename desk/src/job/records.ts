/** Records of a first article: what is to be measured, and what became of what was measured. */

import { addRecord, api, DeskError } from "../api";
import { h, put, say, table, type Child } from "../dom";
import { fileButton } from "../drop";
import { lineOf, trouble } from "../frame";
import type { ArticleRecord, Check, Job, Measured } from "../types";
import { number, sentence, when } from "../words";

const STATES: Record<Measured["state"], string> = {
  in: "within", out: "OUT", "not measured": "not measured", noted: "noted",
};

export class Records {
  readonly element = h("section", { class: "turning", "aria-label": "First article" });
  readonly #id: string;
  /** Address of the form that `#checks` are of. */
  #form = "";
  #checks: readonly Check[] = [];
  #records: readonly ArticleRecord[] = [];
  #job: Job | null = null;
  #failed: string | null = null;
  #sending = false;
  #open = false;

  constructor(id: string) {
    this.#id = id;
  }

  /** Draw what is known; what is not is asked for. */
  draw(job: Job): void {
    this.#job = job;
    const form = job.files.find((file) => file.role === "record_json")?.url ?? "";
    if (form !== "" && form !== this.#form) {
      this.#form = form;
      void this.#ask(form);
    }
    this.#again();
  }

  /** Send in a record that was filled in. */
  async take(file: File): Promise<void> {
    if (this.#sending) return;
    this.#sending = true;
    this.#again();
    trouble(null);
    try {
      this.#records = (await addRecord(this.#id, file)).records;
      const last = this.#records.at(-1);
      if (last) say(`${file.name}: ${counted(last)}`);
    } catch (error) {
      trouble(error instanceof DeskError ? `${file.name} was not taken: ${error.message}` : lineOf(error));
    }
    this.#sending = false;
    this.#again();
    this.element.querySelector("h3")?.scrollIntoView({ block: "nearest" });
  }

  async #ask(form: string): Promise<void> {
    try {
      const [{ checks }, { records }] = await Promise.all([api.form(form), api.records(this.#id)]);
      if (form !== this.#form) return;
      this.#checks = checks;
      this.#records = records;
      this.#failed = null;
    } catch (error) {
      this.#failed = lineOf(error);
    }
    this.#again();
  }

  #again(): void {
    const job = this.#job;
    if (!job || this.#form === "") {
      put(this.element);
      return;
    }
    const blank = job.files.filter(({ role }) => role === "record_csv" || role === "record_json");
    const last = this.#records.at(-1);
    put(this.element, h("h2", {}, "First article"),
      h("p", {}, "The first part off the machine is measured and held against these limits before the "
        + "run starts. Fill in the column “measured” of the form and send it in."),
      h("p", { class: "row" },
        blank.map((file) => h("a", { class: "act", "data-key": file.role, href: file.url, download: file.name },
          file.role === "record_csv" ? "Form as CSV" : "Form as JSON")),
        fileButton({
          words: this.#sending ? "Sending …" : "Send in a record", key: "send-record", accept: ".csv,.json",
          busy: this.#sending, take: (file) => void this.take(file),
        })),
      this.#failed ? h("p", { role: "alert" }, this.#failed) : null,
      last ? [verdict(last), measured(last)] : this.#blank(),
      this.#records.length > 1 ? table("Earlier records", ["Earlier records", "Sent in", "Verdict"],
        this.#records.slice(0, -1).toReversed().map((one) => [one.file, when(one.created), counted(one)])) : null);
  }

  /** What is to be measured, as long as nothing was. */
  #blank(): Child {
    if (this.#checks.length === 0) return null;
    return h("details", { open: this.#open, ontoggle: (event: Event) => { this.#open = (event.target as HTMLDetailsElement).open; } },
      h("summary", {}, `${this.#checks.length} checks to measure`),
      table("Checks of the first article", ["No.", "What", "How", "Limits", "Source"],
        this.#checks.map((one) => [one.id, sentence(one.what), one.how, limits(one), one.source])));
  }
}

function counted({ passed, rows }: ArticleRecord): string {
  const count = (state: Measured["state"]): number => rows.filter((row) => row.state === state).length;
  const out = count("out"), open = count("not measured");
  if (passed) return `passed, ${count("in")} within their limits`;
  return `not passed: ${[out > 0 ? `${out} out of limits` : "", open > 0 ? `${open} not measured` : ""]
    .filter((words) => words !== "").join(", ")}`;
}

const verdict = (record: ArticleRecord): HTMLElement =>
  h("h3", { class: `verdict${record.passed ? "" : " open"}` },
    `${sentence(counted(record))} `, h("small", {}, `${record.file}, ${when(record.created)}`));

function measured(record: ArticleRecord): HTMLElement {
  // What calls for somebody comes first.
  const urgent = ({ state }: Measured): number => ["out", "not measured", "in", "noted"].indexOf(state);
  return table("Checks of the first article, as measured", ["No.", "What", "How", "Limits", "Measured", "Verdict"],
    record.rows.toSorted((a, b) => urgent(a) - urgent(b)).map((one) =>
      [one.id, sentence(one.what), one.how, limits(one), one.measured,
        h(urgent(one) < 2 ? "strong" : "span", {}, STATES[one.state])]));
}

/** Limits of a check in words, with its unit. */
export function limits({ low, high, nominal, unit }: Check): string {
  const plain = (value: number): string => number(value, 3).replace(/\.?0+$/, "");
  if (unit === "yes/no") return "yes";
  if (low !== null && high !== null) return `${plain(low)} to ${plain(high)} ${unit}`;
  if (low !== null) return `at least ${plain(low)} ${unit}`;
  if (high !== null) return `at most ${plain(high)} ${unit}`;
  return nominal === null ? `no limit, ${unit}` : `${plain(nominal)} ${unit}, no limit`;
}
