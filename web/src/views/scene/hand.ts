/** Mouse and wheel on the 3-D view: drag turns, with Shift or the right button shifts, a click picks. */
import type { Orbit } from "./orbit";

export function handle(
  host: HTMLElement,
  orbit: Orbit,
  changed: () => void,
  pick: (x: number, y: number) => void,
): () => void {
  let moved = 0;
  const down = (event: PointerEvent): void => {
    host.setPointerCapture(event.pointerId);
    moved = 0;
  };
  const move = (event: PointerEvent): void => {
    if (!host.hasPointerCapture(event.pointerId)) return;
    moved += Math.abs(event.movementX) + Math.abs(event.movementY);
    const high = host.clientHeight || 1;
    if (event.shiftKey || event.buttons === 2) {
      orbit.shift(event.movementX / high, event.movementY / high);
    } else orbit.turn((3 * event.movementX) / high, (3 * event.movementY) / high);
    changed();
  };
  const up = (event: PointerEvent): void => {
    const box = host.getBoundingClientRect();
    if (moved < 4 && event.button === 0) pick(event.clientX - box.left, event.clientY - box.top);
  };
  const wheel = (event: WheelEvent): void => {
    event.preventDefault();
    orbit.zoom(Math.exp(event.deltaY / 700));
    changed();
  };
  const menu = (event: Event): void => event.preventDefault();
  host.addEventListener("pointerdown", down);
  host.addEventListener("pointermove", move);
  host.addEventListener("pointerup", up);
  host.addEventListener("wheel", wheel, { passive: false });
  host.addEventListener("contextmenu", menu);
  return () => {
    host.removeEventListener("pointerdown", down);
    host.removeEventListener("pointermove", move);
    host.removeEventListener("pointerup", up);
    host.removeEventListener("wheel", wheel);
    host.removeEventListener("contextmenu", menu);
  };
}
