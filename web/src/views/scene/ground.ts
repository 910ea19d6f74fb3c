/** A grid on the floor of the lab, half a metre wide, under all of the motion. */
export const GRID = 0.5;

/** Ends of its lines: x, y, z of one end and the other, one after another. */
export function groundLines(bounds: Float32Array): Float32Array {
  const floor = Math.min(0, bounds[2]!);
  const x0 = Math.floor(bounds[0]! / GRID - 0.5) * GRID;
  const x1 = Math.ceil(bounds[3]! / GRID + 0.5) * GRID;
  const y0 = Math.floor(bounds[1]! / GRID - 0.5) * GRID;
  const y1 = Math.ceil(bounds[4]! / GRID + 0.5) * GRID;
  const ends: number[] = [];
  for (let x = x0; x <= x1 + 1e-6; x += GRID) ends.push(x, y0, floor, x, y1, floor);
  for (let y = y0; y <= y1 + 1e-6; y += GRID) ends.push(x0, y, floor, x1, y, floor);
  return Float32Array.from(ends);
}
