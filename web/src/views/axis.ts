/** The time axis below a column of views: the time line's own ticks, with their numbers. */
import { figures } from "../core/format";
import { inks, rem } from "../core/theme";
import type { Bench } from "../model/bench";
import { timeTicks } from "../paint/axes";
import { Sheet } from "./view";

export class AxisView {
  private readonly sheet: Sheet;
  private readonly off: () => void;

  constructor(
    private readonly bench: Bench,
    host: HTMLElement,
  ) {
    this.sheet = new Sheet(host);
    this.off = bench.window.on(() => this.draw());
    this.resize();
  }

  resize(): void {
    this.sheet.fit();
    this.draw();
  }

  destroy(): void {
    this.off();
    this.sheet.canvas.remove();
  }

  private draw(): void {
    const { ctx, width: whole } = this.sheet;
    const size = 0.78 * rem();
    const left = Math.round(4.2 * rem());
    const width = Math.max(whole - left - Math.round(0.75 * rem()), 1);
    const { from, to } = this.bench.window.value;
    this.sheet.clear();
    ctx.font = `${size}px system-ui, sans-serif`;
    ctx.fillStyle = inks.soft;
    ctx.textAlign = "right";
    ctx.fillText("time [ms]", left - 5, size + 2);
    ctx.textAlign = "center";
    for (const t of timeTicks(from, to, width)) {
      const x = left + ((t - from) / (to - from)) * width;
      ctx.fillRect(x - 0.5, 0, 1, 3);
      const text = figures(1e3 * t, 7);
      const half = 0.5 * ctx.measureText(text).width;
      // Clear of the axis's name on the left and of the edge on the right.
      ctx.fillText(text, Math.min(Math.max(x, left + half), left + width - 1.2 * size), size + 3);
    }
  }
}
