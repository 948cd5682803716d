/** Fetching a state of a part and making it ready to be drawn, beside the page. */

import { api } from "../api";
import { Drawn } from "../scene/drawn";
import type { Prepared } from "../scene/prepare.worker";
import type { Side, Stage } from "../scene/stage";

/** Load what `url` holds into a side of the stage; `done` after each step. Returns how to stop. */
export function load(
  stage: Stage, side: Side, url: string, done: (stage: Prepared["stage"]) => void,
  failed: (why: string) => void,
): () => void {
  const worker = new Worker(new URL("../scene/prepare.worker.ts", import.meta.url), { type: "module" });
  let solid: Drawn | null = null;
  let stopped = false;
  worker.addEventListener("message", ({ data }: MessageEvent<Prepared>) => {
    if (stopped) return;
    if (data.stage === "failed") failed(`The drawing cannot be shown: ${data.why}`);
    else if (data.stage === "shape") {
      solid = new Drawn(data.shape, stage.common, side === "before" ? "red" : "green");
      stage.set(side, solid);
      done("shape");
    } else {
      solid?.take(data);
      if (data.stage === "tree") worker.terminate();
      stage.set(side, solid);
      done(data.stage);
    }
  });
  api.bytes(url).then(
    (bytes) => { if (!stopped) worker.postMessage(bytes, { transfer: [bytes] }); },
    (error: unknown) => { if (!stopped) failed(error instanceof Error ? error.message : String(error)); },
  );
  return () => {
    stopped = true;
    worker.terminate();
  };
}
