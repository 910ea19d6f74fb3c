/** Camera windows in WebGL: an outline in space, and on it the live frame. */
import {
  BufferAttribute,
  BufferGeometry,
  Color,
  DoubleSide,
  Group,
  LineBasicMaterial,
  LineLoop,
  Mesh,
  MeshBasicMaterial,
  SRGBColorSpace,
  Texture,
} from "three";
import { frameAt } from "../../model/trial";
import type { CameraWindow } from "./content";

export class Pane {
  readonly group = new Group();
  private readonly texture = new Texture();
  private readonly face: MeshBasicMaterial;
  private readonly edge: LineBasicMaterial;
  private readonly mesh: Mesh;
  private shown: ImageBitmap | null = null;

  constructor(private readonly window: CameraWindow) {
    const corners = Float32Array.from(window.corners.flat());
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(corners, 3));
    // A decoded frame has its first row on top, and WebGL takes it as it is.
    geometry.setAttribute("uv", new BufferAttribute(new Float32Array([0, 0, 1, 0, 1, 1, 0, 1]), 2));
    geometry.setIndex([0, 1, 2, 0, 2, 3]);
    this.texture.flipY = false;
    this.texture.colorSpace = SRGBColorSpace;
    this.texture.generateMipmaps = false;
    this.face = new MeshBasicMaterial({
      side: DoubleSide,
      transparent: true,
      opacity: 0.72,
      depthWrite: false,
    });
    this.mesh = new Mesh(geometry, this.face);
    this.mesh.visible = false;
    this.mesh.renderOrder = -1;
    this.edge = new LineBasicMaterial();
    const outline = new BufferGeometry();
    outline.setAttribute("position", geometry.getAttribute("position"));
    this.group.add(this.mesh, new LineLoop(outline, this.edge));
  }

  ink(colour: string): void {
    this.edge.color = new Color(colour);
  }

  show(t: number): void {
    const { camera, frames } = this.window;
    const image = frames.small(frameAt(camera, t));
    this.mesh.visible = image !== null;
    if (!image || image === this.shown) return;
    if (!this.shown) {
      this.texture.image = image;
      this.face.map = this.texture;
      this.face.needsUpdate = true;
    }
    this.texture.image = image;
    this.texture.needsUpdate = true;
    this.shown = image;
  }

  dispose(): void {
    this.mesh.geometry.dispose();
    this.texture.dispose();
    this.face.dispose();
    this.edge.dispose();
  }
}
