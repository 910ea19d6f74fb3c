/** A bench's moment, window, station and camera, from the address and back into it. */
import { keepAt, numberAt } from "../core/place";
import type { Bench } from "./bench";

/** Takes the place that a link or a reload names; what it does not name stays. */
export function takePlace(bench: Bench, at: URLSearchParams): void {
  const [from, to] = [numberAt(at, "from"), numberAt(at, "to")];
  if (from !== null && to !== null && to > from) bench.look(1e-3 * from, 1e-3 * to);
  const t = numberAt(at, "t");
  if (t !== null) bench.goTo(1e-3 * t);
  const station = numberAt(at, "station");
  if (station !== null && station >= 0 && station <= bench.info.line.length) bench.select(station);
  const camera = bench.info.cameras.findIndex((one) => one.name === at.get("camera"));
  if (camera >= 0) bench.camera.value = camera;
}

/** Keeps the address in step until the returned function is called. Times stand in ms. */
export function followPlace(bench: Bench): () => void {
  const keep = (): void => {
    if (bench.playing.value) return;
    const { from, to } = bench.window.value;
    const ms = (seconds: number): string => String(Number((1e3 * seconds).toFixed(4)));
    const { station } = bench.selection.value;
    keepAt({
      t: ms(bench.time.value),
      from: ms(from),
      to: ms(to),
      station: station === null ? null : String(Number(station.toFixed(4))),
      camera: bench.info.cameras.length > 1 ? (bench.activeCamera?.name ?? null) : null,
    });
  };
  const signals = [bench.time, bench.window, bench.selection, bench.camera, bench.playing];
  const offs = signals.map((signal) => (signal as { on(tell: () => void): () => void }).on(keep));
  return () => offs.forEach((off) => off());
}
