/** Drawings on paper: held as they are on the screen, at the width of the paper. */

import type { Stage } from "../scene/stage";

/** Width of a sheet of A4 within its margins, pixels. */
const PAPER_PX = 1040;

/** Make ready for the printer whenever the page is printed. Returns how to stop. */
export function printing(element: HTMLElement, stage: Stage): () => void {
  const root = document.documentElement;
  let paper: string | undefined;
  const again = (): void => {
    stage.common.recolour();
    stage.drawNow();
  };
  const before = (): void => {
    paper = root.dataset["paper"];
    root.dataset["paper"] = "light";
    hold(element);
    element.classList.add("printed");
    again();
    copy(element);
  };
  const after = (): void => {
    if (paper === undefined) delete root.dataset["paper"];
    else root.dataset["paper"] = paper;
    element.classList.remove("printed");
    again();
  };
  window.addEventListener("beforeprint", before);
  window.addEventListener("afterprint", after);
  return () => {
    window.removeEventListener("beforeprint", before);
    window.removeEventListener("afterprint", after);
  };
}

/** Where everything is on the screen, for the style of the paper. */
function hold(element: HTMLElement): void {
  const px = (value: number): string => `${value}px`;
  element.style.setProperty("--wide", px(element.clientWidth));
  element.style.setProperty("--tall", px(element.clientHeight));
  element.style.setProperty("--small", String(PAPER_PX / Math.max(element.clientWidth, 1)));
  for (const one of element.querySelectorAll<HTMLElement>(":scope > figure, :scope > .key")) {
    const area = one.querySelector<HTMLElement>(".view, .log-area");
    one.style.setProperty("--x", px(one.offsetLeft));
    one.style.setProperty("--y", px(one.offsetTop));
    one.style.setProperty("--w", px(one.offsetWidth));
    one.style.setProperty("--h", px(area?.offsetHeight ?? 0));
  }
}

/** What a printer gets of a canvas on the card is its last frame on the screen; a copy is up to date. */
function copy(element: HTMLElement): void {
  const [card, own] = element.querySelectorAll("canvas");
  if (!card || !own || card.width === 0) return;
  own.width = card.width;
  own.height = card.height;
  own.getContext("2d")?.drawImage(card, 0, 0);
}
