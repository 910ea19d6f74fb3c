/** Script time of the last frames, in a ring; read by benchmarks/pages.py. */
export class Meter {
  private readonly ring = new Float32Array(4096);
  private count = 0;

  add(milliseconds: number): void {
    this.ring[this.count++ % this.ring.length] = milliseconds;
  }

  reset(): void {
    this.count = 0;
  }

  /** Frames counted and their quantiles [ms]. */
  summary(): { frames: number; median: number; p95: number; worst: number } {
    const n = Math.min(this.count, this.ring.length);
    const sorted = Array.from(this.ring.subarray(0, n)).sort((a, b) => a - b);
    const at = (q: number): number => sorted[Math.min(Math.floor(q * n), n - 1)] ?? NaN;
    return { frames: n, median: at(0.5), p95: at(0.95), worst: at(1) };
  }
}
