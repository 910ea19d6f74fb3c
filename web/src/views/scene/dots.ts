/** Markers and other places as flat signs of constant size: disc, ring, cross. */
import type { Program } from "./programs";
import { rgb } from "./rgb";

/** Numbers of a sign: place, shape, ink. */
const WIDTH = 7;

export class Dots {
  private readonly rows: Float32Array;
  private readonly signs: WebGLVertexArrayObject;
  private readonly buffer: WebGLBuffer;

  constructor(
    private readonly gl: WebGL2RenderingContext,
    private readonly count: number,
  ) {
    this.rows = new Float32Array(WIDTH * count);
    this.signs = gl.createVertexArray();
    gl.bindVertexArray(this.signs);
    this.buffer = gl.createBuffer();
    gl.bindBuffer(gl.ARRAY_BUFFER, this.buffer);
    gl.bufferData(gl.ARRAY_BUFFER, this.rows.byteLength, gl.DYNAMIC_DRAW);
    let from = 0;
    [3, 1, 3].forEach((size, at) => {
      gl.vertexAttribPointer(at, size, gl.FLOAT, false, 4 * WIDTH, 4 * from);
      gl.enableVertexAttribArray(at);
      from += size;
    });
    gl.bindVertexArray(null);
  }

  shape(i: number): number {
    return this.rows[WIDTH * i + 3]!;
  }

  /** Puts a sign at the `from`th place of `xyz`. */
  put(i: number, xyz: Float32Array, from: number, shape: number): void {
    for (let c = 0; c < 3; c++) this.rows[WIDTH * i + c] = xyz[3 * from + c]!;
    this.rows[WIDTH * i + 3] = shape;
  }

  hide(i: number, shape: number): void {
    this.rows[WIDTH * i + 3] = shape;
  }

  ink(i: number, colour: string): void {
    this.rows.set(rgb(colour), WIDTH * i + 4);
  }

  /** Draws over all else, with a program that is in use. */
  draw(program: Program, pixels: number, edge: Float32Array): void {
    const { gl } = this;
    program.number("size", pixels);
    program.ink("edge", edge);
    gl.bindBuffer(gl.ARRAY_BUFFER, this.buffer);
    gl.bufferSubData(gl.ARRAY_BUFFER, 0, this.rows);
    gl.bindVertexArray(this.signs);
    gl.drawArrays(gl.POINTS, 0, this.count);
  }

  dispose(): void {
    this.gl.deleteVertexArray(this.signs);
    this.gl.deleteBuffer(this.buffer);
  }
}
