/** Places that stay where they are: the floor, the trail, the corners of a camera window. */
export class Points {
  private readonly array: WebGLVertexArrayObject;
  private readonly buffers: WebGLBuffer[];
  private readonly count: number;

  /** xyz: three numbers a place; uv: two, where a picture lies on them. */
  constructor(
    private readonly gl: WebGL2RenderingContext,
    xyz: Float32Array,
    uv?: Float32Array,
  ) {
    this.count = xyz.length / 3;
    this.array = gl.createVertexArray();
    gl.bindVertexArray(this.array);
    this.buffers = [xyz, ...(uv ? [uv] : [])].map((values, at) => {
      const buffer = gl.createBuffer();
      gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
      gl.bufferData(gl.ARRAY_BUFFER, values, gl.STATIC_DRAW);
      gl.vertexAttribPointer(at, 3 - at, gl.FLOAT, false, 0, 0);
      gl.enableVertexAttribArray(at);
      return buffer;
    });
    gl.bindVertexArray(null);
  }

  draw(mode: number): void {
    if (!this.count) return;
    this.gl.bindVertexArray(this.array);
    this.gl.drawArrays(mode, 0, this.count);
  }

  dispose(): void {
    this.gl.deleteVertexArray(this.array);
    this.buffers.forEach((buffer) => this.gl.deleteBuffer(buffer));
  }
}
