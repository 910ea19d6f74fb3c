/** Frames of one camera: fetched around the one that is shown, a fixed number kept decoded. */
import { getBlob, trialPath } from "../core/api";
import { frameRange, type CameraInfo } from "./trial";

/** Memory for decoded frames of one camera [bytes], four a pixel; never under sixteen frames. */
const BUDGET = 128e6;
const AHEAD = 6;
const AT_ONCE = 3;
/** Longest side of a decoded frame [px]: more than a view shows costs time and memory for nothing. */
const LARGEST = 1024;

/** Longest side of the copy that stands in the 3-D view [px]: it is sent to the screen each frame. */
const SMALL = 256;

interface Decoded {
  full: ImageBitmap;
  small: ImageBitmap;
}

export class Frames {
  private readonly kept = new Map<number, Decoded>();
  private readonly asked = new Set<number>();
  private readonly failed = new Set<number>();
  private wanted = -1;
  private readonly first: number;
  private readonly last: number;

  constructor(
    private readonly trial: string,
    private readonly camera: CameraInfo,
    private readonly arrived: () => void,
  ) {
    [this.first, this.last] = frameRange(camera);
  }

  get any(): boolean {
    return this.camera.frames > 0;
  }

  /** The frame if it is here; if not it is sent for, and `arrived` is called when it comes. */
  get(number: number): ImageBitmap | null {
    return this.find(number)?.full ?? null;
  }

  /** A small copy of it. */
  small(number: number): ImageBitmap | null {
    return this.find(number)?.small ?? null;
  }

  private find(number: number): Decoded | null {
    if (!this.any || number < this.first || number > this.last) return null;
    if (number !== this.wanted) {
      this.wanted = number;
      this.fill();
    }
    return this.kept.get(number) ?? null;
  }

  close(): void {
    this.kept.forEach(release);
    this.kept.clear();
  }

  private fill(): void {
    for (let step = 0; step <= AHEAD && this.asked.size < AT_ONCE; step++) {
      this.fetch(this.wanted + step);
      if (step && this.asked.size < AT_ONCE) this.fetch(this.wanted - step);
    }
  }

  private fetch(number: number): void {
    if (number < this.first || number > this.last) return;
    if (this.kept.has(number) || this.asked.has(number) || this.failed.has(number)) return;
    this.asked.add(number);
    void this.load(number);
  }

  private async load(number: number): Promise<void> {
    try {
      const name = encodeURIComponent(this.camera.name);
      const blob = await getBlob(trialPath(this.trial, `/frames/${name}/${number}.png`));
      const full = await createImageBitmap(blob, this.sizing(LARGEST));
      // The small copy is made of what is decoded already; of a small camera both are one.
      const sizing = this.sizing(SMALL);
      const small = sizing.resizeWidth ? await createImageBitmap(full, sizing) : full;
      this.keep(number, { full, small });
    } catch {
      this.failed.add(number);
      // A server that was away is asked again later; a frame that is not there is not.
      setTimeout(() => this.failed.delete(number), 3000);
    }
    this.asked.delete(number);
    this.fill();
  }

  private sizing(most: number): ImageBitmapOptions {
    const [w, h] = this.camera.size;
    const longest = Math.max(w, h);
    if (longest <= most) return {};
    const factor = most / longest;
    return { resizeWidth: Math.round(w * factor), resizeHeight: Math.round(h * factor) };
  }

  private keep(number: number, decoded: Decoded): void {
    this.kept.set(number, decoded);
    const most = Math.max(16, BUDGET / (4 * decoded.full.width * decoded.full.height));
    if (this.kept.size > most) {
      // What was decoded first leaves first, unless it is what is looked at.
      for (const [old, image] of this.kept) {
        if (Math.abs(old - this.wanted) <= AHEAD) continue;
        release(image);
        this.kept.delete(old);
        break;
      }
    }
    if (number === this.wanted) this.arrived();
  }
}

function release(decoded: Decoded): void {
  decoded.full.close();
  decoded.small.close();
}
