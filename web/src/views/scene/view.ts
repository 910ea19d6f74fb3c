/** The 3-D view: the line, its band, markers, front and camera windows; by WebGL or by strokes. */
import { figures, moment } from "../../core/format";
import { inks, rem } from "../../core/theme";
import type { Bench } from "../../model/bench";
import type { Frames } from "../../model/frames";
import type { Player } from "../../model/player";
import { CanvasPainter } from "../../paint/canvas";
import { SvgPainter } from "../../paint/svg";
import { Sheet, type View } from "../view";
import { SceneContent } from "./content";
import { Compass } from "./compass";
import { handle } from "./hand";
import { Orbit } from "./orbit";
import { strokeScene } from "./strokes";
import { WebglPicture } from "./webgl";

/** Height of the legend at the foot of the view, which the line keeps clear of [rem]. */
const LEGEND = 2.6;

export class SceneView implements View {
  readonly orbit = new Orbit();
  readonly content: SceneContent;
  private picture: WebglPicture | null = null;
  private sheet: Sheet | null = null;
  private readonly offs: (() => void)[];
  private readonly compass: Compass;
  private fitted = false;
  private width = 0;
  private height = 0;

  constructor(
    private readonly bench: Bench,
    frames: Frames[],
    private readonly host: HTMLElement,
    private readonly player: Player,
    private readonly told: (message: string | null) => void,
  ) {
    this.content = new SceneContent(bench, frames);
    this.orbit.frame(this.content.shown());
    this.compass = new Compass(host);
    this.offs = [
      handle(
        host,
        this.orbit,
        () => player.wake(),
        (x, y) => this.pick(x, y),
      ),
      bench.window.on(() => {
        this.picture?.retrail();
        player.wake();
      }),
    ];
    try {
      this.picture = new WebglPicture(host, this.content, this.orbit, () => this.byStrokes());
      this.resize();
    } catch {
      this.byStrokes();
    }
  }

  /** Where the browser has no WebGL, or takes it away while the view stands. */
  private byStrokes(): void {
    this.picture?.destroy();
    this.picture = null;
    this.sheet ??= new Sheet(this.host);
    this.told("This browser has no WebGL: the view is drawn by strokes, without shading.");
    this.resize();
  }

  resize(): void {
    const { clientWidth: width, clientHeight: height } = this.host;
    [this.width, this.height] = [width, height];
    if (!this.fitted && width && height) {
      this.fitted = true;
      this.orbit.fit(this.content.shown(), width, height, LEGEND * rem());
    }
    this.picture?.resize(width, height);
    this.picture?.retrail();
    this.sheet?.fit();
    this.player.wake();
  }

  /** Turns to the line as it stands, as near as shows all of it. */
  fitLine(): void {
    const now = this.content.now().slice();
    const { azimuth, elevation } = this.orbit;
    this.orbit.frame(now);
    Object.assign(this.orbit, { azimuth, elevation });
    this.orbit.settle();
    this.orbit.fit(now, this.width || 1, this.height || 1, LEGEND * rem());
    this.player.wake();
  }

  describe(): string {
    const { line, motion } = this.bench;
    if (!line || !motion) return "The markers that were seen, in space; there is no motion yet.";
    const last = motion.stations - 1;
    const tip = Array.from(line.position.subarray(3 * last, 3 * last + 3), (v) => v.toFixed(3));
    const front = Number.isFinite(this.content.frontStation)
      ? `; the bend at ${this.content.frontStation.toFixed(3)} m`
      : "";
    return `The line in space at ${moment(this.bench.time.value)}: the tip at ${tip.join(", ")} m with ${figures(1e3 * line.sd[last]!, 2)} mm sd of a coordinate, moving at ${figures(line.speed[last]!, 4)} m/s${front}.`;
  }

  show(t: number): void {
    this.content.set(t);
    this.compass.show(this.orbit, this.height);
    this.picture?.show(t);
    if (!this.sheet) return;
    this.sheet.clear();
    const { width, height, ctx } = this.sheet;
    strokeScene(
      { painter: new CanvasPainter(ctx), orbit: this.orbit, width, height },
      this.content,
      t,
    );
  }

  destroy(): void {
    this.offs.forEach((off) => off());
    this.compass.remove();
    this.picture?.destroy();
    this.sheet?.canvas.remove();
  }

  /** Selects the marker under the pointer, else the station of the line near it. */
  private pick(x: number, y: number): void {
    const { width: w, height: h } = this;
    const at = new Float32Array(2);
    const gap = (xyz: Float32Array, i: number): number => {
      this.orbit.project(xyz[3 * i]!, xyz[3 * i + 1]!, xyz[3 * i + 2]!, w, h, at, 0);
      return Math.hypot(at[0]! - x, at[1]! - y);
    };
    const labels = this.bench.sightings?.labels ?? [];
    const marker = closest(labels.length, (l) => gap(this.content.markerXyz, l), 12);
    if (marker >= 0) return this.bench.selectMarker(labels[marker]!);
    const { line, motion } = this.bench;
    if (!line || !motion) return;
    const s = closest(motion.stations, (i) => gap(line.position, i), 24);
    this.bench.select(s >= 0 ? motion.station[s]! : null);
  }

  svg(): string {
    const painter = new SvgPainter(960, 640, inks.paper);
    const t = this.bench.time.value;
    this.content.set(t);
    strokeScene({ painter, orbit: this.orbit, width: 960, height: 610 }, this.content, t);
    const text = `${this.bench.info.name}, ${figures(1e3 * t, 7)} ms; band ${this.content.band} sd`;
    painter.text(10, 630, text, { size: 12, colour: inks.ink });
    return painter.toString();
  }

  csv(): string {
    const { line, motion } = this.bench;
    if (!line || !motion) return "";
    const lines = [
      "station [m],x [m],y [m],z [m],sd of one coordinate [m],speed [m/s],sd of speed [m/s]",
    ];
    const sd = motion.fields.speed.sd;
    for (let s = 0; s < motion.stations; s++) {
      const [x, y, z] = line.position.subarray(3 * s, 3 * s + 3);
      lines.push([motion.station[s], x, y, z, line.sd[s], line.speed[s], sd?.[line.k * motion.stations + s] ?? ""].join(","));
    }
    return lines.join("\n") + "\n";
  }
}

/** Index of the least of `count` gaps, -1 where none is within reach. */
function closest(count: number, gap: (i: number) => number, reach: number): number {
  let found = -1;
  let best = reach;
  for (let i = 0; i < count; i++) {
    const here = gap(i);
    if (here < best) {
      best = here;
      found = i;
    }
  }
  return found;
}
