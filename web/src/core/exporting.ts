/** Files handed to the reader: SVG as drawn, PNG from it, CSV of the numbers. */

export function download(name: string, content: Blob): void {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(content);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

export function downloadText(name: string, text: string, type: string): void {
  download(name, new Blob([text], { type: `${type};charset=utf-8` }));
}

/** Sizes of a saved picture: width in print [mm], and in pixels. */
export const SIZES = {
  column: { say: "one column, 85 mm", mm: 85, pixels: 2008 },
  page: { say: "page width, 170 mm", mm: 170, pixels: 4016 },
  slide: { say: "slide, 1920 px", mm: 338, pixels: 1920 },
} as const;

export type Size = keyof typeof SIZES;

/** The same SVG with its width in millimetres, so that it is placed at its size. */
export function sized(svg: string, size: Size): string {
  const match = /^<svg([^>]*?) width="([\d.]+)" height="([\d.]+)"/.exec(svg);
  if (!match) return svg;
  const { mm } = SIZES[size];
  const high = ((mm * Number(match[3])) / Number(match[2])).toFixed(2);
  return svg.replace(match[0], `<svg${match[1]} width="${mm}mm" height="${high}mm"`);
}

/** Puts a picture where the next paste takes it. */
export async function copyPicture(png: Promise<Blob>): Promise<void> {
  await navigator.clipboard.write([new ClipboardItem({ "image/png": png })]);
}

/** An SVG that stands alone as PNG, so many pixels wide. */
export async function pngOf(svg: string, pixels: number): Promise<Blob> {
  const image = new Image();
  image.src = URL.createObjectURL(new Blob([svg], { type: "image/svg+xml" }));
  await image.decode();
  const canvas = document.createElement("canvas");
  canvas.width = pixels;
  canvas.height = Math.round((pixels * image.height) / image.width);
  canvas.getContext("2d")!.drawImage(image, 0, 0, canvas.width, canvas.height);
  URL.revokeObjectURL(image.src);
  return new Promise((done, fail) =>
    canvas.toBlob((blob) => (blob ? done(blob) : fail(new Error("no picture"))), "image/png"),
  );
}

/** A name that every file system takes. */
export function fileName(...parts: string[]): string {
  return parts.join("-").replace(/[^\w.-]+/g, "-");
}
