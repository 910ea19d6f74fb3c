/** Strokes as SVG text; images go in as PNG data, so that the file stands alone. */
import type { Painter, Style, TextStyle } from "./painter";

export class SvgPainter implements Painter {
  private readonly parts: string[] = [];
  private clips = 0;

  constructor(
    readonly width: number,
    readonly height: number,
    private readonly paper: string,
  ) {}

  line(points: ArrayLike<number>, style: Style, closed = false): void {
    let path = "";
    let down = false;
    for (let i = 0; i + 1 < points.length; i += 2) {
      const x = points[i]!;
      const y = points[i + 1]!;
      if (!Number.isFinite(x + y)) {
        down = false;
        continue;
      }
      path += `${down ? "L" : "M"}${short(x)} ${short(y)}`;
      down = true;
    }
    if (path) this.parts.push(`<path d="${path}${closed ? "Z" : ""}"${look(style)}/>`);
  }

  circle(x: number, y: number, radius: number, style: Style): void {
    this.parts.push(`<circle cx="${short(x)}" cy="${short(y)}" r="${radius}"${look(style)}/>`);
  }

  rect(x: number, y: number, width: number, height: number, style: Style): void {
    const box = `x="${short(x)}" y="${short(y)}" width="${short(width)}" height="${short(height)}"`;
    this.parts.push(`<rect ${box}${look(style)}/>`);
  }

  text(x: number, y: number, text: string, style: TextStyle): void {
    const turn = style.upright ? ` transform="rotate(-90 ${short(x)} ${short(y)})"` : "";
    const weight = style.weight === "bold" ? ' font-weight="600"' : "";
    this.parts.push(
      `<text x="${short(x)}" y="${short(y)}" font-size="${style.size}" fill="${style.colour}"` +
        ` text-anchor="${style.align ?? "start"}"${weight}${turn}>${escape(text)}</text>`,
    );
  }

  image(source: CanvasImageSource, width: number, height: number, corners: number[]): void {
    const canvas = document.createElement("canvas");
    canvas.width = width;
    canvas.height = height;
    canvas.getContext("2d")!.drawImage(source, 0, 0, width, height);
    const [x, y, rx, ry, bx, by] = corners as [number, number, number, number, number, number];
    const matrix = [(rx - x) / width, (ry - y) / width, (bx - x) / height, (by - y) / height, x, y];
    this.parts.push(
      `<image width="${width}" height="${height}" transform="matrix(${matrix.join(" ")})"` +
        ` preserveAspectRatio="none" href="${canvas.toDataURL("image/png")}"/>`,
    );
  }

  clip(x: number, y: number, width: number, height: number, inside: () => void): void {
    const id = `cut${++this.clips}`;
    this.parts.push(
      `<clipPath id="${id}"><rect x="${x}" y="${y}" width="${width}" height="${height}"/></clipPath>`,
      `<g clip-path="url(#${id})">`,
    );
    inside();
    this.parts.push("</g>");
  }

  toString(): string {
    return (
      `<svg xmlns="http://www.w3.org/2000/svg" width="${this.width}" height="${this.height}"` +
      ` viewBox="0 0 ${this.width} ${this.height}" font-family="system-ui, sans-serif">` +
      `<rect width="100%" height="100%" fill="${this.paper}"/>${this.parts.join("")}</svg>`
    );
  }
}

function short(value: number): string {
  return Number(value.toFixed(2)).toString();
}

function escape(text: string): string {
  return text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/"/g, "&quot;");
}

function look(style: Style): string {
  const stroke = style.stroke
    ? ` stroke="${style.stroke}" stroke-width="${style.width ?? 1}" stroke-linejoin="round"` +
      ` stroke-linecap="round"`
    : "";
  const dash = style.dash ? ` stroke-dasharray="${style.dash.join(" ")}"` : "";
  const alpha = style.alpha === undefined ? "" : ` opacity="${style.alpha}"`;
  return ` fill="${style.fill ?? "none"}"${stroke}${dash}${alpha}`;
}
