/** Colours of the style sheet as three shares of one. */
const known = new Map<string, Float32Array>();

export function rgb(colour: string): Float32Array {
  let found = known.get(colour);
  if (!found) {
    found = parse(colour);
    known.set(colour, found);
  }
  return found;
}

/** #rgb and #rrggbb at once; any other way of writing a colour by the browser's own reading. */
function parse(colour: string): Float32Array {
  const short = /^#([\da-f])([\da-f])([\da-f])$/i.exec(colour);
  const long = /^#([\da-f]{2})([\da-f]{2})([\da-f]{2})$/i.exec(colour);
  if (short) return Float32Array.from(short.slice(1), (c) => parseInt(c + c, 16) / 255);
  if (long) return Float32Array.from(long.slice(1), (c) => parseInt(c, 16) / 255);
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = 1;
  const ctx = canvas.getContext("2d", { willReadFrequently: true })!;
  ctx.fillStyle = colour;
  ctx.fillRect(0, 0, 1, 1);
  return Float32Array.from(ctx.getImageData(0, 0, 1, 1).data.subarray(0, 3), (c) => c / 255);
}
