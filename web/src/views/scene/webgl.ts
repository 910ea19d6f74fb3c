/** The 3-D view's picture by WebGL. */
import { MARK, RAMPS } from "../../core/colour";
import { inks, rem } from "../../core/theme";
import { Shape, type SceneContent } from "./content";
import { Dots } from "./dots";
import { groundLines } from "./ground";
import type { Orbit } from "./orbit";
import { Pane, smooth } from "./panes";
import { Points } from "./points";
import { giveBack, take, type Glass } from "./programs";
import { rgb } from "./rgb";
import { Tube, type Coat } from "./tube";

/** Inks by shape of marker: seen, predicted, distrusted. */
const MARKER_INKS = [MARK.green, MARK.purple, MARK.vermilion] as const;

export class WebglPicture {
  private readonly glass: Glass;
  private readonly gl: WebGL2RenderingContext;
  private readonly tube: Tube | null;
  private readonly dots: Dots;
  private readonly panes: Pane[];
  private readonly ground: Points;
  private readonly ramp: WebGLTexture;
  private trail: Points;
  private readonly view = new Float32Array(16);
  private readonly lens = new Float32Array(16);
  private readonly place = new Float32Array(3);
  // Drawn one after another: a wider tube of which only the far side shows, an outline in the ink
  // of the page, so that thin bright pieces stand out from any ground; the line; its band.
  private readonly rim: Coat = { more: 0, sds: 0, ink: rgb(MARK.sky), opacity: 1 };
  private readonly skin: Coat = { more: 0, sds: 0, ink: null, opacity: 1 };
  private readonly band: Coat = { more: 0, sds: 2, ink: rgb(MARK.sky), opacity: 0.28 };
  private width = 0;
  private height = 1;
  private pixels = 10;

  /** @throws Error where the browser has no WebGL. */
  constructor(
    host: HTMLElement,
    private readonly content: SceneContent,
    private readonly orbit: Orbit,
    private readonly lost: () => void,
  ) {
    this.glass = take();
    const { gl, canvas } = this.glass;
    this.gl = gl;
    host.append(canvas);
    canvas.addEventListener("webglcontextlost", lost);
    this.tube = content.bench.line ? new Tube(gl, content.bench.motion!.stations) : null;
    this.dots = new Dots(gl, content.markerShape.length + 2);
    for (let i = 0; i < content.markerShape.length + 2; i++) this.dots.hide(i, Shape.None);
    this.ground = new Points(gl, groundLines(content.bounds));
    this.trail = new Points(gl, content.trail());
    this.panes = content.windows.map((window) => new Pane(gl, window));
    this.ramp = smooth(gl);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGB, 256, 1, 0, gl.RGB, gl.UNSIGNED_BYTE, brightRamp());
    this.recolour();
  }

  resize(width: number, height: number): void {
    const { canvas, gl } = this.glass;
    const dense = window.devicePixelRatio || 1;
    [this.width, this.height] = [Math.round(width * dense), Math.max(height, 1)];
    const high = Math.round(height * dense);
    // To set a size anew, even the same, empties the canvas and waits for the card.
    if (canvas.width !== this.width) canvas.width = this.width;
    if (canvas.height !== high) canvas.height = high;
    gl.viewport(0, 0, this.width, high);
    this.orbit.lens(width / this.height, this.lens);
    this.recolour();
  }

  /** Takes the colours of the theme. */
  private recolour(): void {
    this.pixels = 0.62 * rem() * (window.devicePixelRatio || 1);
    this.rim.ink = rgb(inks.ink);
    const count = this.content.markerShape.length;
    this.dots.ink(count, inks.ink);
    this.dots.ink(count + 1, inks.chosen);
  }

  retrail(): void {
    this.trail.dispose();
    this.trail = new Points(this.gl, this.content.trail());
  }

  show(t: number): void {
    if (!this.width) return;
    this.setMarkers();
    for (const pane of this.panes) pane.set(t, this.content.pictures);
    this.orbit.view(this.view);
    const { gl } = this;
    gl.depthMask(true);
    gl.clearColor(0, 0, 0, 0);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.enable(gl.DEPTH_TEST);
    gl.enable(gl.BLEND);
    gl.blendFuncSeparate(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA, gl.ONE, gl.ONE_MINUS_SRC_ALPHA);
    this.drawPlain();
    this.drawLine();
    gl.disable(gl.DEPTH_TEST);
    this.glass.dots.use(this.view, this.lens);
    this.dots.draw(this.glass.dots, this.pixels, rgb(inks.paper));
  }

  /** The floor, the tip's path, and the cameras' windows with their pictures. */
  private drawPlain(): void {
    const { gl } = this;
    const { plain, picture } = this.glass;
    plain.use(this.view, this.lens);
    plain.ink("ink", rgb(inks.rule), 1);
    this.ground.draw(gl.LINES);
    plain.ink("ink", rgb(inks.soft), 1);
    this.trail.draw(gl.LINE_STRIP);
    plain.ink("ink", rgb(MARK.orange), 1);
    for (const pane of this.panes) pane.outline.draw(gl.LINE_LOOP);
    gl.depthMask(false);
    picture.use(this.view, this.lens);
    for (const pane of this.panes) pane.draw();
    gl.depthMask(true);
  }

  private drawLine(): void {
    const { gl, content } = this;
    const { line, motion } = content.bench;
    if (!this.tube || !line || !motion) return;
    const { tube } = this.glass;
    const perPixel = this.orbit.perPixel(this.height);
    const stout = content.stout(perPixel);
    this.tube.set(line.position, line.speed, motion.fields.speed.high, line.sd);
    this.rim.more = 1.2 * perPixel;
    this.band.sds = content.band;
    gl.bindTexture(gl.TEXTURE_2D, this.ramp);
    tube.use(this.view, this.lens);
    gl.enable(gl.CULL_FACE);
    gl.cullFace(gl.FRONT);
    this.tube.draw(tube, stout, this.rim);
    gl.disable(gl.CULL_FACE);
    this.tube.draw(tube, stout, this.skin);
    gl.enable(gl.CULL_FACE);
    gl.cullFace(gl.BACK);
    gl.depthMask(false);
    this.tube.draw(tube, stout, this.band);
    gl.depthMask(true);
    gl.disable(gl.CULL_FACE);
  }

  private setMarkers(): void {
    const { markerXyz, markerShape } = this.content;
    const count = markerShape.length;
    for (let l = 0; l < count; l++) {
      const shape = markerShape[l]!;
      if (this.dots.shape(l) !== shape && shape !== Shape.None)
        this.dots.ink(l, MARKER_INKS[shape]!);
      this.dots.put(l, markerXyz, l, shape);
    }
    this.setMark(count, this.content.frontStation, 5);
    const { station } = this.content.bench.selection.value;
    this.setMark(count + 1, station === null ? NaN : station, 4);
  }

  private setMark(i: number, station: number, shape: number): void {
    const { line } = this.content.bench;
    if (line === null || !Number.isFinite(station)) return this.dots.hide(i, Shape.None);
    line.place(station, this.place);
    this.dots.put(i, this.place, 0, shape);
  }

  destroy(): void {
    this.glass.canvas.removeEventListener("webglcontextlost", this.lost);
    this.panes.forEach((pane) => pane.dispose());
    this.dots.dispose();
    this.tube?.dispose();
    this.ground.dispose();
    this.trail.dispose();
    this.gl.deleteTexture(this.ramp);
    giveBack(this.glass);
  }
}

/** The ramp of speed in bytes; its dark end is left out, which is hard to see in space. */
function brightRamp(): Uint8Array {
  const out = new Uint8Array(256 * 3);
  for (let i = 0; i < 256; i++) {
    const at = 3 * Math.round(255 * (0.25 + (0.75 * i) / 255));
    out.set(RAMPS.speed.subarray(at, at + 3), 3 * i);
  }
  return out;
}
