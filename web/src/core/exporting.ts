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

/** An SVG that stands alone as PNG, twice as many pixels as it says, for print. */
export async function pngOf(svg: string): Promise<Blob> {
  const image = new Image();
  image.src = URL.createObjectURL(new Blob([svg], { type: "image/svg+xml" }));
  await image.decode();
  const canvas = document.createElement("canvas");
  canvas.width = 2 * image.width;
  canvas.height = 2 * image.height;
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
