/** Camera windows in WebGL: an outline in space, and on it the live frame. */
import { BufferAttribute, BufferGeometry, Group, LineLoop, Mesh, Texture } from "three";
import { frameAt } from "../../model/trial";
import { MARK } from "../../core/colour";
import type { CameraWindow } from "./content";
import { picture, plain } from "./materials";

export class Pane {
  readonly group = new Group();
  private readonly texture = new Texture();
  private readonly face = picture(this.texture);
  private readonly edge = plain(MARK.orange);
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
    this.texture.generateMipmaps = false;
    this.mesh = new Mesh(geometry, this.face);
    this.mesh.visible = false;
    this.mesh.renderOrder = -1;
    const outline = new BufferGeometry();
    outline.setAttribute("position", geometry.getAttribute("position"));
    this.group.add(this.mesh, new LineLoop(outline, this.edge));
  }

  show(t: number, wanted: boolean): void {
    const { camera, frames } = this.window;
    const image = wanted ? frames.small(frameAt(camera, t)) : null;
    this.mesh.visible = image !== null;
    if (!image || image === this.shown) return;
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
