/**
 * The few small shaders of the 3-D view. Ready-made materials of the library are an order longer,
 * and the first view of a trial waits for their compilation. Colours are written as given, in sRGB.
 */
import { Color, DoubleSide, ShaderMaterial, type Texture } from "three";

/** A colour whose numbers reach the screen as they were written. */
export function raw(colour: string): Color {
  return new Color(colour).convertLinearToSRGB();
}

/** The line: colour by station, shaded as by a lamp at the eye. */
export function skin(): ShaderMaterial {
  return new ShaderMaterial({
    side: DoubleSide,
    // Drawn with what is transparent, so that it lies over the frames of the camera windows.
    transparent: true,
    vertexShader: `
      attribute vec3 ink;
      varying vec3 vInk;
      varying float vFacing;
      void main() {
        vInk = ink;
        vec4 place = modelViewMatrix * vec4(position, 1.0);
        vFacing = abs(dot(normalize(normalMatrix * normal), normalize(place.xyz)));
        gl_Position = projectionMatrix * place;
      }`,
    fragmentShader: `
      varying vec3 vInk;
      varying float vFacing;
      void main() { gl_FragColor = vec4(vInk * (0.62 + 0.45 * vFacing), 1.0); }`,
  });
}

/** One colour throughout: the band, the floor, the trail, edges of windows. */
export function plain(colour: string, opacity = 1): ShaderMaterial {
  return new ShaderMaterial({
    transparent: opacity < 1,
    depthWrite: opacity === 1,
    uniforms: { ink: { value: raw(colour) }, opacity: { value: opacity } },
    vertexShader: `
      void main() { gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0); }`,
    fragmentShader: `
      uniform vec3 ink;
      uniform float opacity;
      void main() { gl_FragColor = vec4(ink, opacity); }`,
  });
}

export function recolour(material: ShaderMaterial, colour: string): void {
  material.uniforms["ink"]!.value = raw(colour);
}

/** A camera's frame in its window. */
export function picture(texture: Texture): ShaderMaterial {
  return new ShaderMaterial({
    side: DoubleSide,
    transparent: true,
    depthWrite: false,
    uniforms: { frame: { value: texture } },
    vertexShader: `
      varying vec2 vUv;
      void main() {
        vUv = uv;
        gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
      }`,
    fragmentShader: `
      uniform sampler2D frame;
      varying vec2 vUv;
      void main() { gl_FragColor = vec4(texture2D(frame, vUv).rgb, 0.75); }`,
  });
}
