/** What every view can do. */
import type { Follower } from "../model/player";

export interface View extends Follower {
  /** Takes the size of its place on the page again. */
  resize(): void;
  /** The view as it stands, as SVG text. */
  svg(): string;
  /** The numbers behind it, where it shows any. */
  csv?(): string;
  /** What it shows in one sentence, for those who do not see it. */
  describe?(): string;
  destroy(): void;
}

/** A canvas that fills its host, sharp on any screen. */
export class Sheet {
  readonly canvas = document.createElement("canvas");
  readonly ctx: CanvasRenderingContext2D;
  width = 0;
  height = 0;

  constructor(private readonly host: HTMLElement) {
    this.canvas.className = "sheet";
    this.ctx = this.canvas.getContext("2d")!;
    host.append(this.canvas);
  }

  /** Fits the host; the context then counts in CSS pixels. */
  fit(): void {
    const dense = window.devicePixelRatio || 1;
    this.width = this.host.clientWidth;
    this.height = this.host.clientHeight;
    this.canvas.width = Math.max(1, Math.round(this.width * dense));
    this.canvas.height = Math.max(1, Math.round(this.height * dense));
    this.ctx.setTransform(dense, 0, 0, dense, 0, 0);
  }

  clear(): void {
    this.ctx.clearRect(0, 0, this.width, this.height);
  }
}
