/** The frame loop: moves the clock while it plays and shows the moment in every view. */
import type { Bench } from "./bench";
import { Meter } from "./meter";

const lessMotion = matchMedia("(prefers-reduced-motion: reduce)");

/** A view that follows the clock. `show` runs in the frame loop and makes no objects. */
export interface Follower {
  show(t: number): void;
}

export class Player {
  readonly meter = new Meter();
  private readonly followers: Follower[] = [];
  private dirty = true;
  private last = 0;
  private request = 0;
  private readonly offs: (() => void)[];

  constructor(readonly bench: Bench) {
    const wake = (): void => this.wake();
    this.offs = [
      bench.time.on(wake),
      bench.selection.on(wake),
      bench.detail.on(wake),
      bench.playing.on(() => {
        this.last = 0;
        wake();
      }),
    ];
    this.wake();
  }

  add(follower: Follower): () => void {
    this.followers.push(follower);
    this.wake();
    return () => {
      const at = this.followers.indexOf(follower);
      if (at >= 0) this.followers.splice(at, 1);
    };
  }

  /** Shows the moment again at the next frame; also for a view whose picture arrived late. */
  wake(): void {
    this.dirty = true;
    if (!this.request) this.request = requestAnimationFrame(this.tick);
  }

  stop(): void {
    cancelAnimationFrame(this.request);
    this.offs.forEach((off) => off());
  }

  private readonly tick = (now: number): void => {
    const begin = performance.now();
    this.request = 0;
    const { bench } = this;
    if (bench.playing.value) this.advance(now);
    if (this.dirty) {
      this.dirty = false;
      const t = bench.time.value;
      bench.line?.set(t);
      for (let i = 0; i < this.followers.length; i++) this.followers[i]!.show(t);
      this.meter.add(performance.now() - begin);
    }
    if (bench.playing.value && !this.request) this.request = requestAnimationFrame(this.tick);
  };

  /** The clock runs on from the time on the wall, and begins again at the window's end. */
  private advance(now: number): void {
    const { bench } = this;
    const passed = this.last ? Math.min((now - this.last) / 1000, 0.25) : 0;
    this.last = now;
    const { from, to } = bench.window.value;
    const next = bench.time.value + passed * bench.rate.value;
    const over = next > to || next < from;
    // Who asked for less motion gets each play once.
    if (over && lessMotion.matches) bench.playing.value = false;
    else bench.time.value = over ? from : next;
  }
}
