/** The fast video: the frame of the moment, with the projected line, tip, fronts and points. */
import type { Pack } from "../core/pack";
import { inks, rem } from "../core/theme";
import type { Bench } from "../model/bench";
import type { Frames } from "../model/frames";
import { Overlay } from "../model/overlay";
import type { Player } from "../model/player";
import { frameAt, frameRange, type CameraInfo } from "../model/trial";
import { CanvasPainter } from "../paint/canvas";
import { SvgPainter } from "../paint/svg";
import { drawOverlay, type Fit } from "./video_marks";
import { Sheet, type View } from "./view";

export class VideoView implements View {
  private readonly sheet: Sheet;
  private readonly painter: CanvasPainter;
  private readonly fit: Fit = { scale: 1, x: 0, y: 0, stout: 1 };
  private readonly note = document.createElement("p");
  private overlay: Overlay;

  constructor(
    private readonly bench: Bench,
    readonly camera: CameraInfo,
    private readonly index: number,
    private readonly frames: Frames,
    private readonly host: HTMLElement,
    private readonly player: Player,
  ) {
    this.sheet = new Sheet(host);
    this.painter = new CanvasPainter(this.sheet.ctx);
    this.note.className = "over-note";
    host.append(this.note);
    this.overlay = new Overlay(bench, camera, index, null);
    host.addEventListener("pointerdown", this.down);
    this.resize();
  }

  /** Takes the projected line that the server has computed, lens and registration included. */
  take(pack: Pack): void {
    this.overlay = new Overlay(this.bench, this.camera, this.index, pack);
    this.player.wake();
  }

  resize(): void {
    this.sheet.fit();
    const [w, h] = this.camera.size;
    this.fit.stout = rem() / 14;
    this.fit.scale = Math.min(this.sheet.width / w, this.sheet.height / h);
    this.fit.x = 0.5 * (this.sheet.width - w * this.fit.scale);
    this.fit.y = 0.5 * (this.sheet.height - h * this.fit.scale);
    this.show(this.bench.time.value);
  }

  show(t: number): void {
    const { ctx } = this.sheet;
    const [w, h] = this.camera.size;
    const frame = frameAt(this.camera, t);
    const image = this.frames.get(frame);
    this.sheet.clear();
    const { scale, x, y } = this.fit;
    ctx.fillStyle = "#14181c";
    ctx.fillRect(x, y, w * scale, h * scale);
    if (image) ctx.drawImage(image, x, y, w * scale, h * scale);
    this.overlay.set(frame);
    ctx.save();
    ctx.beginPath();
    ctx.rect(x, y, w * scale, h * scale);
    ctx.clip();
    drawOverlay(this.painter, this.overlay, this.bench, this.fit);
    ctx.restore();
    this.say(frame);
  }

  private say(frame: number): void {
    const [first, last] = frameRange(this.camera);
    const inside = frame >= first && frame <= last;
    const shown = this.camera.frames ? "" : ", no images: points only";
    const text = inside ? `frame ${frame}${shown}` : "no frame at this moment";
    if (this.note.textContent !== text) this.note.textContent = text;
  }

  describe(): string {
    const frame = frameAt(this.camera, this.bench.time.value);
    const [first, last] = frameRange(this.camera);
    if (frame < first || frame > last)
      return `Camera ${this.camera.name} has no frame at this moment; it has ${first} to ${last}.`;
    const { overlay } = this;
    overlay.set(frame);
    const seen = overlay.points ? overlay.endPoint - overlay.firstPoint : 0;
    const at = overlay.line.length - 2;
    const tip = Number.isFinite(overlay.line[at]!)
      ? `the tip of the motion lies at ${overlay.line[at]!.toFixed(1)}, ${overlay.line[at + 1]!.toFixed(1)} px`
      : "no motion is drawn";
    return `Camera ${this.camera.name}, frame ${frame}: ${seen} point${seen === 1 ? "" : "s"} seen, ${tip}.`;
  }

  destroy(): void {
    this.host.removeEventListener("pointerdown", this.down);
    this.sheet.canvas.remove();
    this.note.remove();
  }

  /** Selects the station nearest to the click, or takes the pixel for a mend. */
  private readonly down = (event: PointerEvent): void => {
    const box = this.host.getBoundingClientRect();
    const u = (event.clientX - box.left - this.fit.x) / this.fit.scale - 0.5;
    const v = (event.clientY - box.top - this.fit.y) / this.fit.scale - 0.5;
    this.bench.camera.value = this.index;
    if (this.bench.picking.value) {
      const frame = frameAt(this.camera, this.bench.time.value);
      this.bench.picked.value = { frame, u, v };
      return;
    }
    const station = this.overlay.nearestStation(u, v, 40 / this.fit.scale);
    this.bench.select(station);
  };

  svg(): string {
    const [w, h] = this.camera.size;
    const scale = Math.min(900 / w, 900 / h);
    const painter = new SvgPainter(Math.round(w * scale), Math.round(h * scale) + 26, inks.paper);
    painter.rect(0, 0, w * scale, h * scale, { fill: "#14181c" });
    const frame = frameAt(this.camera, this.bench.time.value);
    const image = this.frames.get(frame);
    if (image) {
      const corners = [0, 0, w * scale, 0, 0, h * scale];
      painter.image(image, image.width, image.height, corners);
    }
    this.overlay.set(frame);
    painter.clip(0, 0, w * scale, h * scale, () =>
      drawOverlay(painter, this.overlay, this.bench, { scale, x: 0, y: 0, stout: 1.2 }),
    );
    const text = `${this.bench.info.name}, camera ${this.camera.name}, frame ${frame}`;
    painter.text(4, h * scale + 18, text, { size: 12, colour: inks.ink });
    return painter.toString();
  }
}
