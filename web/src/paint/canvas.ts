/** Strokes on a canvas. */
import type { Painter, Style, TextStyle } from "./painter";

export class CanvasPainter implements Painter {
  constructor(private readonly ctx: CanvasRenderingContext2D) {}

  line(points: ArrayLike<number>, style: Style, closed = false): void {
    const { ctx } = this;
    ctx.beginPath();
    let down = false;
    for (let i = 0; i + 1 < points.length; i += 2) {
      const x = points[i]!;
      const y = points[i + 1]!;
      if (!Number.isFinite(x + y)) {
        down = false;
        continue;
      }
      if (down) ctx.lineTo(x, y);
      else ctx.moveTo(x, y);
      down = true;
    }
    if (closed) ctx.closePath();
    this.ink(style);
  }

  circle(x: number, y: number, radius: number, style: Style): void {
    this.ctx.beginPath();
    this.ctx.arc(x, y, radius, 0, 2 * Math.PI);
    this.ink(style);
  }

  rect(x: number, y: number, width: number, height: number, style: Style): void {
    this.ctx.beginPath();
    this.ctx.rect(x, y, width, height);
    this.ink(style);
  }

  text(x: number, y: number, text: string, style: TextStyle): void {
    const { ctx } = this;
    ctx.save();
    ctx.translate(x, y);
    if (style.upright) ctx.rotate(-Math.PI / 2);
    ctx.font = `${style.weight === "bold" ? "600 " : ""}${style.size}px system-ui, sans-serif`;
    ctx.fillStyle = style.colour;
    ctx.textAlign = style.align === "middle" ? "center" : (style.align ?? "start");
    ctx.fillText(text, 0, 0);
    ctx.restore();
  }

  image(source: CanvasImageSource, width: number, height: number, corners: number[]): void {
    const { ctx } = this;
    const [x, y, rx, ry, bx, by] = corners as [number, number, number, number, number, number];
    ctx.save();
    ctx.transform((rx - x) / width, (ry - y) / width, (bx - x) / height, (by - y) / height, x, y);
    ctx.drawImage(source, 0, 0, width, height);
    ctx.restore();
  }

  clip(x: number, y: number, width: number, height: number, inside: () => void): void {
    this.ctx.save();
    this.ctx.beginPath();
    this.ctx.rect(x, y, width, height);
    this.ctx.clip();
    inside();
    this.ctx.restore();
  }

  private ink(style: Style): void {
    const { ctx } = this;
    ctx.globalAlpha = style.alpha ?? 1;
    if (style.fill) {
      ctx.fillStyle = style.fill;
      ctx.fill();
    }
    if (style.stroke) {
      ctx.strokeStyle = style.stroke;
      ctx.lineWidth = style.width ?? 1;
      ctx.lineJoin = "round";
      ctx.lineCap = "round";
      if (style.dash) ctx.setLineDash(style.dash);
      ctx.stroke();
      if (style.dash) ctx.setLineDash([]);
    }
    ctx.globalAlpha = 1;
  }
}
