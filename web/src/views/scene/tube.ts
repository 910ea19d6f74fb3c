/** A tube round the line: three numbers of place and two directions across for each station. */
import { onRamp } from "../../core/colour";
import type { Program } from "./programs";

const SIDES = 8;
/** Numbers of a station: place, across, beside, share of the ramp, sd. */
const WIDTH = 11;

/** How the tube is drawn: radii beyond the line's own, and one ink in place of the ramp. */
export interface Coat {
  more: number;
  sds: number;
  ink: Float32Array | null;
  opacity: number;
}

export class Tube {
  private readonly rows: Float32Array;
  private readonly rings: WebGLVertexArrayObject;
  private readonly corners: WebGLBuffer;
  private readonly buffer: WebGLBuffer;

  constructor(
    private readonly gl: WebGL2RenderingContext,
    private readonly stations: number,
  ) {
    this.rows = new Float32Array(WIDTH * stations);
    this.rings = gl.createVertexArray();
    gl.bindVertexArray(this.rings);
    this.corners = gl.createBuffer();
    gl.bindBuffer(gl.ARRAY_BUFFER, this.corners);
    gl.bufferData(gl.ARRAY_BUFFER, corners(), gl.STATIC_DRAW);
    gl.vertexAttribPointer(0, 3, gl.FLOAT, false, 0, 0);
    gl.enableVertexAttribArray(0);
    this.buffer = gl.createBuffer();
    gl.bindBuffer(gl.ARRAY_BUFFER, this.buffer);
    gl.bufferData(gl.ARRAY_BUFFER, this.rows.byteLength, gl.DYNAMIC_DRAW);
    // One piece a pair of stations: the second end reads the row after the first.
    for (let end = 0; end < 2; end++) {
      let from = end * WIDTH;
      [3, 3, 3, 2].forEach((size, i) => {
        const at = 1 + 4 * end + i;
        gl.vertexAttribPointer(at, size, gl.FLOAT, false, 4 * WIDTH, 4 * from);
        gl.vertexAttribDivisor(at, 1);
        gl.enableVertexAttribArray(at);
        from += size;
      });
    }
    gl.bindVertexArray(null);
  }

  /**
   * The ring at each station stands across the line. Its first direction is carried along, so that
   * the tube does not wring; where the line turns sharply it may narrow.
   */
  set(line: Float32Array, speed: Float32Array, high: number, sd: Float32Array): void {
    const { rows, stations, gl } = this;
    let [nx, ny, nz] = [0, 1, 0];
    for (let s = 0; s < stations; s++) {
      const a = 3 * Math.max(s - 1, 0);
      const b = 3 * Math.min(s + 1, stations - 1);
      let tx = line[b]! - line[a]!;
      let ty = line[b + 1]! - line[a + 1]!;
      let tz = line[b + 2]! - line[a + 2]!;
      const long = Math.sqrt(tx * tx + ty * ty + tz * tz) || 1;
      tx /= long;
      ty /= long;
      tz /= long;
      const along = nx * tx + ny * ty + nz * tz;
      nx -= along * tx;
      ny -= along * ty;
      nz -= along * tz;
      if (nx * nx + ny * ny + nz * nz < 1e-6) {
        // The line turned into the carried direction: begin anew across it.
        nx = tz;
        ny = 0;
        nz = -tx;
      }
      const norm = Math.sqrt(nx * nx + ny * ny + nz * nz) || 1;
      nx /= norm;
      ny /= norm;
      nz /= norm;
      const i = WIDTH * s;
      rows[i] = line[3 * s]!;
      rows[i + 1] = line[3 * s + 1]!;
      rows[i + 2] = line[3 * s + 2]!;
      rows[i + 3] = nx;
      rows[i + 4] = ny;
      rows[i + 5] = nz;
      rows[i + 6] = ty * nz - tz * ny;
      rows[i + 7] = tz * nx - tx * nz;
      rows[i + 8] = tx * ny - ty * nx;
      rows[i + 9] = onRamp(speed[s]!, high);
      rows[i + 10] = sd[s]!;
    }
    gl.bindBuffer(gl.ARRAY_BUFFER, this.buffer);
    gl.bufferSubData(gl.ARRAY_BUFFER, 0, rows);
  }

  /** Draws with a program that is in use, as stout at the middle as `stout` [m]. */
  draw(program: Program, stout: number, coat: Coat): void {
    const { gl, stations } = this;
    program.number("last", Math.max(stations - 1, 1));
    program.number("stout", stout);
    program.number("more", coat.more);
    program.number("sds", coat.sds);
    program.number("shaded", coat.ink ? 0 : 1);
    program.ink("ink", coat.ink ?? NO_INK, coat.opacity);
    gl.bindVertexArray(this.rings);
    gl.drawArraysInstanced(gl.TRIANGLE_STRIP, 0, 2 * SIDES + 2, stations - 1);
  }

  dispose(): void {
    this.gl.deleteVertexArray(this.rings);
    this.gl.deleteBuffer(this.corners);
    this.gl.deleteBuffer(this.buffer);
  }
}

const NO_INK = new Float32Array(3);

/** The strip of a piece, in the order in which its outside faces the eye. */
function corners(): Float32Array {
  const out: number[] = [];
  for (let j = SIDES; j >= 0; j--) {
    const angle = (2 * Math.PI * j) / SIDES;
    for (const end of [0, 1]) out.push(Math.cos(angle), Math.sin(angle), end);
  }
  return Float32Array.from(out);
}
