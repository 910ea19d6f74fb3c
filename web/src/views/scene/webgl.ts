/** The 3-D view's picture by WebGL. */
import {
  BackSide,
  BufferAttribute,
  BufferGeometry,
  Line,
  LineSegments,
  Mesh,
  PerspectiveCamera,
  Scene,
  WebGLRenderer,
} from "three";
import { MARK, RAMPS } from "../../core/colour";
import { inks, rem } from "../../core/theme";
import { Shape, type SceneContent } from "./content";
import { Dots } from "./dots";
import { groundLines } from "./ground";
import { plain, recolour, skin } from "./materials";
import { Orbit } from "./orbit";
import { Pane } from "./panes";
import { Tube } from "./tube";

/** Inks by shape of marker: seen, predicted, distrusted. */
const MARKER_INKS = [MARK.green, MARK.purple, MARK.vermilion] as const;

export class WebglPicture {
  private readonly renderer: WebGLRenderer;
  private readonly scene = new Scene();
  private readonly eye = new PerspectiveCamera((360 * Orbit.HALF_VIEW) / Math.PI, 1, 0.01, 500);
  private readonly tube: Tube | null = null;
  private readonly halo: Tube | null = null;
  private readonly rim: Tube | null = null;
  private readonly rimRadius: Float32Array;
  private readonly rimInk = plain(MARK.sky);
  private readonly haloRadius: Float32Array;
  private readonly markers: Dots;
  private readonly marks = new Dots(2);
  private readonly panes: Pane[];
  private readonly trail = new Line(new BufferGeometry(), plain(MARK.sky));
  private readonly ground = new LineSegments(new BufferGeometry(), plain(MARK.sky));
  private readonly ramp: Float32Array;
  private readonly place = new Float32Array(3);
  private height = 1;

  /** @throws Error where the browser has no WebGL. */
  constructor(
    host: HTMLElement,
    private readonly content: SceneContent,
    private readonly orbit: Orbit,
  ) {
    this.renderer = new WebGLRenderer({
      antialias: true,
      alpha: true,
      preserveDrawingBuffer: false,
    });
    // To ask for a shader's faults waits until the card has compiled it; the tests see faults drawn.
    this.renderer.debug.checkShaderErrors = false;
    this.renderer.domElement.className = "sheet";
    host.append(this.renderer.domElement);
    const stations = content.bench.motion?.stations ?? 0;
    this.haloRadius = new Float32Array(stations);
    this.rimRadius = new Float32Array(stations);
    this.ramp = brightRamp();
    if (content.bench.line) [this.tube, this.halo, this.rim] = this.addLine(stations);
    this.ground.geometry = linesOf(groundLines(content.bounds));
    this.panes = content.windows.map((window) => new Pane(window));
    this.markers = new Dots(content.markerShape.length);
    this.scene.add(this.ground, this.trail, this.markers.points, this.marks.points);
    this.panes.forEach((pane) => this.scene.add(pane.group));
    this.retrail();
    this.recolour();
  }

  private addLine(stations: number): [Tube, Tube, Tube] {
    const tube = new Tube(stations);
    const halo = new Tube(stations);
    const line = new Mesh(tube.geometry, skin());
    const band = new Mesh(halo.geometry, plain(MARK.sky, 0.28));
    line.frustumCulled = false;
    band.frustumCulled = false;
    line.renderOrder = 4;
    band.renderOrder = 5;
    // A wider tube of which only the far side is drawn: an outline in the ink of the page, so
    // that thin bright pieces stand out from any ground.
    const rim = new Tube(stations);
    this.rimInk.side = BackSide;
    const outline = new Mesh(rim.geometry, this.rimInk);
    outline.frustumCulled = false;
    outline.renderOrder = 3;
    this.scene.add(outline, line, band);
    return [tube, halo, rim];
  }

  resize(width: number, height: number): void {
    this.height = height;
    this.renderer.setPixelRatio(window.devicePixelRatio || 1);
    this.renderer.setSize(width, height);
    this.eye.aspect = width / Math.max(height, 1);
    this.eye.updateProjectionMatrix();
    this.recolour();
  }

  /** Takes the colours of the theme. */
  recolour(): void {
    const pixels = 0.62 * rem() * (window.devicePixelRatio || 1);
    this.markers.style(pixels, inks.paper);
    this.marks.style(pixels, inks.paper);
    this.marks.ink(0, inks.ink);
    this.marks.ink(1, inks.chosen);
    recolour(this.ground.material, inks.rule);
    recolour(this.rimInk, inks.ink);
    recolour(this.trail.material, inks.soft);
  }

  retrail(): void {
    this.trail.geometry.dispose();
    this.trail.geometry = linesOf(this.content.trail());
    this.trail.frustumCulled = false;
  }

  show(t: number): void {
    this.setLine();
    this.setMarkers();
    for (let i = 0; i < this.panes.length; i++) this.panes[i]!.show(t, this.content.pictures);
    const { eye, up, middle } = this.orbit;
    this.eye.position.set(eye[0]!, eye[1]!, eye[2]!);
    this.eye.up.set(up[0]!, up[1]!, up[2]!);
    this.eye.lookAt(middle[0]!, middle[1]!, middle[2]!);
    this.renderer.render(this.scene, this.eye);
  }

  private setLine(): void {
    const { line, motion } = this.content.bench;
    if (!this.tube || !this.halo || !line || !motion) return;
    const { radius, band } = this.content;
    const perPixel = this.orbit.perPixel(this.height);
    this.content.setRadius(perPixel);
    this.tube.set(line.position, radius);
    this.tube.paint(line.speed, motion.fields.speed.high, this.ramp);
    for (let s = 0; s < radius.length; s++) {
      this.haloRadius[s] = radius[s]! + band * line.sd[s]!;
      this.rimRadius[s] = radius[s]! + 1.2 * perPixel;
    }
    this.rim?.set(line.position, this.rimRadius);
    this.halo.set(line.position, this.haloRadius);
  }

  private setMarkers(): void {
    const { markerXyz, markerShape } = this.content;
    this.markers.xyz.set(markerXyz);
    for (let l = 0; l < markerShape.length; l++) {
      const shape = markerShape[l]!;
      if (this.markers.shape[l] === shape) continue;
      this.markers.shape[l] = shape;
      if (shape !== Shape.None) this.markers.ink(l, MARKER_INKS[shape]!);
    }
    this.markers.moved();
    this.setMark(0, this.content.frontStation, 5);
    const { station } = this.content.bench.selection.value;
    this.setMark(1, station === null ? NaN : station, 4);
    this.marks.moved();
  }

  private setMark(i: number, station: number, shape: number): void {
    const { line } = this.content.bench;
    const shown = line !== null && Number.isFinite(station);
    this.marks.shape[i] = shown ? shape : Shape.None;
    if (!shown) return;
    line.place(station, this.place);
    this.marks.xyz.set(this.place, 3 * i);
  }

  destroy(): void {
    this.panes.forEach((pane) => pane.dispose());
    this.markers.dispose();
    this.marks.dispose();
    this.tube?.geometry.dispose();
    this.halo?.geometry.dispose();
    this.rim?.geometry.dispose();
    this.rimInk.dispose();
    this.ground.geometry.dispose();
    this.trail.geometry.dispose();
    this.renderer.dispose();
    this.renderer.domElement.remove();
  }
}

function linesOf(xyz: Float32Array): BufferGeometry {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(xyz, 3));
  return geometry;
}

/** The ramp of speed in shares of one; its dark end is left out, which is hard to see in space. */
function brightRamp(): Float32Array {
  const out = new Float32Array(256 * 3);
  for (let i = 0; i < 256; i++) {
    const at = 3 * Math.round(255 * (0.25 + (0.75 * i) / 255));
    for (let c = 0; c < 3; c++) out[3 * i + c] = RAMPS.speed[at + c]! / 255;
  }
  return out;
}
