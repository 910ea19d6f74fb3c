/** The lab's axes as the eye sees them, and a bar of a round length, in a corner of the view. */
import type { Orbit } from "./orbit";

/** Length of an arm [px]. */
export const ARM = 30;
export const AXES = ["x", "y", "z"] as const;
const SIDE = 92;

/** A round length that is some eighty pixels long at the middle of the view, and its pixels. */
export function bar(orbit: Orbit, height: number): [metres: number, pixels: number] {
  const perPixel = orbit.perPixel(height);
  const wanted = 80 * perPixel;
  const power = 10 ** Math.floor(Math.log10(wanted));
  const metres = [5, 2, 1].map((m) => m * power).find((m) => m <= wanted) ?? power;
  return [Number(metres.toPrecision(1)), metres / perPixel];
}

export class Compass {
  private readonly place = document.createElement("div");
  private readonly arms: SVGLineElement[];
  private readonly names: SVGTextElement[];
  private readonly scale = document.createElement("span");
  private shown = -1;
  private height = -1;

  constructor(host: HTMLElement) {
    const space = "http://www.w3.org/2000/svg";
    const svg = document.createElementNS(space, "svg");
    svg.setAttribute("viewBox", `${-SIDE / 2} ${-SIDE / 2} ${SIDE} ${SIDE}`);
    this.arms = AXES.map(() => document.createElementNS(space, "line"));
    this.names = AXES.map((name) => {
      const text = document.createElementNS(space, "text");
      text.textContent = name;
      return text;
    });
    svg.append(...this.arms, ...this.names);
    this.place.className = "compass";
    this.place.setAttribute("aria-hidden", "true");
    this.place.append(this.scale, svg);
    host.append(this.place);
  }

  show(orbit: Orbit, height: number): void {
    if (orbit.moves === this.shown && height === this.height) return;
    [this.shown, this.height] = [orbit.moves, height];
    for (let i = 0; i < 3; i++) {
      const [x, y] = [ARM * orbit.right[i]!, -ARM * orbit.up[i]!];
      this.arms[i]!.setAttribute("x2", x.toFixed(1));
      this.arms[i]!.setAttribute("y2", y.toFixed(1));
      this.names[i]!.setAttribute("x", (1.28 * x - 3).toFixed(1));
      this.names[i]!.setAttribute("y", (1.28 * y + 4).toFixed(1));
    }
    const [metres, pixels] = bar(orbit, height);
    const text = `${metres} m`;
    if (this.scale.textContent !== text) this.scale.textContent = text;
    this.scale.style.width = `${pixels.toFixed(0)}px`;
  }

  remove(): void {
    this.place.remove();
  }
}
