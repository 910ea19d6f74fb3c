/** Camera windows in WebGL: an outline in space, and on it the live frame. */
import { frameAt } from "../../model/trial";
import type { CameraWindow } from "./content";
import { Points } from "./points";

export class Pane {
  readonly outline: Points;
  private readonly texture: WebGLTexture;
  private shown: ImageBitmap | null = null;
  private visible = false;

  constructor(
    private readonly gl: WebGL2RenderingContext,
    private readonly window: CameraWindow,
  ) {
    // A decoded frame has its first row on top, and WebGL takes it as it is.
    const uv = Float32Array.of(0, 0, 1, 0, 1, 1, 0, 1);
    this.outline = new Points(gl, Float32Array.from(window.corners.flat()), uv);
    this.texture = smooth(gl);
  }

  /** Takes the frame of a moment where it has come. */
  set(t: number, wanted: boolean): void {
    const { camera, frames } = this.window;
    const image = wanted ? frames.small(frameAt(camera, t)) : null;
    this.visible = image !== null;
    if (!image || image === this.shown) return;
    const { gl } = this;
    gl.bindTexture(gl.TEXTURE_2D, this.texture);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA, gl.RGBA, gl.UNSIGNED_BYTE, image);
    this.shown = image;
  }

  /** Draws the frame, where there is one, with a program that is in use. */
  draw(): void {
    if (!this.visible) return;
    this.gl.bindTexture(this.gl.TEXTURE_2D, this.texture);
    this.outline.draw(this.gl.TRIANGLE_FAN);
  }

  dispose(): void {
    this.outline.dispose();
    this.gl.deleteTexture(this.texture);
  }
}

/** An empty texture that is smooth between its pixels and ends at its edges. */
export function smooth(gl: WebGL2RenderingContext): WebGLTexture {
  const texture = gl.createTexture();
  gl.bindTexture(gl.TEXTURE_2D, texture);
  gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.LINEAR);
  gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAG_FILTER, gl.LINEAR);
  gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE);
  gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE);
  return texture;
}
