/** Turning, moving and picking with pointer, fingers and keys. */

import type { Look } from "../scene/look";

export interface Steered {
  look: () => Look;
  turn: (look: Look) => void;
  /** The part is taken hold of, or let go. */
  hold: (held: boolean) => void;
  fit: () => void;
  /** A click, pixels of the view. */
  click: (x: number, y: number) => void;
  hover: (x: number, y: number) => void;
  /** Whether a drag draws something instead of turning. */
  draws: () => boolean;
  draw: (stage: "start" | "move" | "end", x: number, y: number) => void;
}

/** Fewer pixels than this is a click (common practice, no source). */
const CLICK_PX = 4;
const KEY_DEG = 10;
const KEY_PX = 40;

const held = (el: number): number => Math.min(90, Math.max(-90, el));

export function steer(element: HTMLElement, to: Steered): void {
  const down = new Map<number, { x: number; y: number }>();
  let moved = false;
  let pans = false;
  let drawing = false;
  const spot = (event: PointerEvent | WheelEvent): { x: number; y: number } => {
    const box = element.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  };

  const zoom = (factor: number, at: { x: number; y: number }): void => {
    const look = to.look();
    const next = Math.min(Math.max(look.zoom * factor, 0.02), 4000);
    // What is under the pointer stays there.
    const dx = at.x - element.clientWidth / 2, dy = element.clientHeight / 2 - at.y;
    to.turn({
      ...look, zoom: next,
      x: look.x + dx / look.zoom - dx / next, y: look.y + dy / look.zoom - dy / next,
    });
  };
  const pan = (dx: number, dy: number): void => {
    const look = to.look();
    to.turn({ ...look, x: look.x - dx / look.zoom, y: look.y + dy / look.zoom });
  };
  const turn = (dx: number, dy: number): void => {
    const look = to.look();
    to.turn({ ...look, az: (((look.az - dx + 180) % 360) + 360) % 360 - 180, el: held(look.el - dy) });
  };

  element.addEventListener("contextmenu", (event) => event.preventDefault());
  element.addEventListener("pointerdown", (event) => {
    if (event.target !== element) return;
    element.setPointerCapture(event.pointerId);
    down.set(event.pointerId, spot(event));
    to.hold(true);
    moved = false;
    pans = event.button !== 0 || event.shiftKey;
    drawing = down.size === 1 && !pans && to.draws();
    if (drawing) to.draw("start", spot(event).x, spot(event).y);
  });
  element.addEventListener("pointermove", (event) => {
    const before = down.get(event.pointerId);
    const now = spot(event);
    if (!before) {
      if (down.size === 0 && event.target === element) to.hover(now.x, now.y);
      return;
    }
    if (drawing) {
      to.draw("move", now.x, now.y);
      return;
    }
    const dx = now.x - before.x, dy = now.y - before.y;
    if (!moved && Math.hypot(dx, dy) < CLICK_PX) return;
    moved = true;
    if (down.size === 2) {
      const other = [...down].find(([id]) => id !== event.pointerId)?.[1] ?? now;
      const was = Math.hypot(before.x - other.x, before.y - other.y);
      const is = Math.hypot(now.x - other.x, now.y - other.y);
      pan(dx / 2, dy / 2);
      if (was > 0) zoom(is / was, { x: (now.x + other.x) / 2, y: (now.y + other.y) / 2 });
    } else if (pans) pan(dx, dy);
    else turn(dx * 0.5, dy * 0.5);
    down.set(event.pointerId, now);
  });
  const up = (event: PointerEvent): void => {
    const was = down.get(event.pointerId);
    if (!was) return;
    down.delete(event.pointerId);
    if (down.size === 0) to.hold(false);
    const now = spot(event);
    if (drawing) to.draw("end", now.x, now.y);
    else if (!moved && event.type === "pointerup" && event.button === 0) to.click(now.x, now.y);
    drawing = false;
  };
  element.addEventListener("pointerup", up);
  element.addEventListener("pointercancel", up);
  element.addEventListener("dblclick", (event) => { if (event.target === element) to.fit(); });
  element.addEventListener("wheel", (event) => {
    // With a plain wheel the page scrolls; a pinch on a trackpad comes with ctrl.
    if (!event.ctrlKey && !event.altKey && document.activeElement !== element) return;
    event.preventDefault();
    zoom(Math.exp(-event.deltaY * (event.ctrlKey ? 0.01 : 0.0015)), spot(event));
  }, { passive: false });
  element.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target !== element) return;
    const ways: Record<string, [number, number]> = {
      ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1],
    };
    const way = ways[event.key];
    const middle = { x: element.clientWidth / 2, y: element.clientHeight / 2 };
    if (way && event.shiftKey) pan(way[0] * KEY_PX, way[1] * KEY_PX);
    else if (way) turn(way[0] * KEY_DEG, way[1] * KEY_DEG);
    else if (event.key === "+" || event.key === "=") zoom(1.25, middle);
    else if (event.key === "-") zoom(0.8, middle);
    else if (event.key === "Enter") to.click(middle.x, middle.y);
    else return;
    event.preventDefault();
    event.stopPropagation();
  });
}
