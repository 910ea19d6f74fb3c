/**
 * The shaders of the 3-D view, and what they are compiled in. Colours are written as given, in
 * sRGB. Nothing here asks the card for an answer: every question waits until it has done all that
 * it was told before, which is long while a page is being drawn for the first time.
 */

const HEAD = "#version 300 es\nprecision highp float;\n";

/** A ring of the tube: its place, two directions across the line, share of the ramp, sd. */
const TUBE = [
  `layout(location = 0) in vec3 corner; // cosine, sine, and which end of the piece
layout(location = 1) in vec3 placeA;
layout(location = 2) in vec3 acrossA;
layout(location = 3) in vec3 besideA;
layout(location = 4) in vec2 stateA;
layout(location = 5) in vec3 placeB;
layout(location = 6) in vec3 acrossB;
layout(location = 7) in vec3 besideB;
layout(location = 8) in vec2 stateB;
uniform mat4 view;
uniform mat4 lens;
uniform float last;
uniform float stout;
uniform float more;
uniform float sds;
out float share;
out float facing;
void main() {
  vec2 state = mix(stateA, stateB, corner.z);
  float taper = 1.5 - (float(gl_InstanceID) + corner.z) / last;
  vec3 outward = corner.x * mix(acrossA, acrossB, corner.z)
    + corner.y * mix(besideA, besideB, corner.z);
  float radius = taper * stout + more + sds * state.y;
  vec4 place = view * vec4(mix(placeA, placeB, corner.z) + radius * outward, 1.0);
  share = state.x;
  facing = abs(dot(normalize(mat3(view) * outward), normalize(place.xyz)));
  gl_Position = lens * place;
}`,
  `in float share;
in float facing;
uniform sampler2D ramp;
uniform vec4 ink;
uniform float shaded;
out vec4 colour;
void main() {
  vec3 lit = texture(ramp, vec2((255.0 * share + 0.5) / 256.0, 0.5)).rgb * (0.62 + 0.45 * facing);
  colour = vec4(mix(ink.rgb, lit, shaded), ink.a);
}`,
] as const;

/** One colour throughout: the floor, the trail, edges of windows. */
const PLAIN = [
  `layout(location = 0) in vec3 place;
uniform mat4 view;
uniform mat4 lens;
void main() { gl_Position = lens * view * vec4(place, 1.0); }`,
  `uniform vec4 ink;
out vec4 colour;
void main() { colour = ink; }`,
] as const;

/** A camera's frame in its window. */
const PICTURE = [
  `layout(location = 0) in vec3 place;
layout(location = 1) in vec2 where;
uniform mat4 view;
uniform mat4 lens;
out vec2 uv;
void main() {
  uv = where;
  gl_Position = lens * view * vec4(place, 1.0);
}`,
  `in vec2 uv;
uniform sampler2D frame;
out vec4 colour;
void main() { colour = vec4(texture(frame, uv).rgb, 0.75); }`,
] as const;

// Shapes as in content.ts, and 4: a wide ring for what is selected, 5: a wide thin ring.
const DOTS = [
  `layout(location = 0) in vec3 place;
layout(location = 1) in float shape;
layout(location = 2) in vec3 ink;
uniform mat4 view;
uniform mat4 lens;
uniform float size;
flat out float form;
flat out vec3 fill;
void main() {
  form = shape;
  fill = ink;
  gl_Position = lens * view * vec4(place, 1.0);
  gl_PointSize = shape > 3.5 ? 1.9 * size : size;
}`,
  `flat in float form;
flat in vec3 fill;
uniform vec3 edge;
out vec4 colour;
void main() {
  vec2 q = 2.0 * gl_PointCoord - 1.0;
  float r = length(q);
  if (form > 2.5 && form < 3.5) discard;
  colour = vec4(fill, 1.0);
  if (form < 0.5) {
    if (r > 1.0) discard;
    if (r > 0.72) colour = vec4(edge, 1.0);
  } else if (form < 1.5) {
    if (r > 1.0 || r < 0.55) discard;
  } else if (form < 2.5) {
    if (min(abs(q.x - q.y), abs(q.x + q.y)) > 0.42) discard;
  } else if (r > 1.0 || r < (form > 4.5 ? 0.84 : 0.7)) discard;
}`,
] as const;

export class Program {
  private readonly program: WebGLProgram;
  private readonly places = new Map<string, WebGLUniformLocation | null>();

  constructor(
    private readonly gl: WebGL2RenderingContext,
    [vertex, fragment]: readonly [string, string],
  ) {
    this.program = gl.createProgram();
    for (const [kind, text] of [
      [gl.VERTEX_SHADER, vertex],
      [gl.FRAGMENT_SHADER, fragment],
    ] as const) {
      const shader = gl.createShader(kind)!;
      gl.shaderSource(shader, HEAD + text);
      gl.compileShader(shader);
      gl.attachShader(this.program, shader);
    }
    gl.linkProgram(this.program);
  }

  use(view: Float32Array, lens: Float32Array): void {
    this.gl.useProgram(this.program);
    this.gl.uniformMatrix4fv(this.at("view"), false, view);
    this.gl.uniformMatrix4fv(this.at("lens"), false, lens);
  }

  number(name: string, value: number): void {
    this.gl.uniform1f(this.at(name), value);
  }

  ink(name: string, rgb: Float32Array, opacity?: number): void {
    if (opacity === undefined) this.gl.uniform3f(this.at(name), rgb[0]!, rgb[1]!, rgb[2]!);
    else this.gl.uniform4f(this.at(name), rgb[0]!, rgb[1]!, rgb[2]!, opacity);
  }

  /** Asked for when it is first used, not while the card compiles. */
  private at(name: string): WebGLUniformLocation | null {
    let place = this.places.get(name);
    if (place === undefined) {
      place = this.gl.getUniformLocation(this.program, name);
      this.places.set(name, place);
    }
    return place;
  }
}

/** A canvas with its context and all programs. */
export class Glass {
  readonly canvas = document.createElement("canvas");
  readonly gl: WebGL2RenderingContext;
  readonly tube: Program;
  readonly plain: Program;
  readonly picture: Program;
  readonly dots: Program;

  /** @throws Error where the browser has no WebGL. */
  constructor() {
    const gl = this.canvas.getContext("webgl2", { antialias: true, alpha: true });
    if (!gl) throw new Error("no WebGL");
    this.gl = gl;
    this.canvas.className = "sheet";
    [this.tube, this.plain, this.picture, this.dots] = [
      new Program(gl, TUBE),
      new Program(gl, PLAIN),
      new Program(gl, PICTURE),
      new Program(gl, DOTS),
    ];
  }
}

let spare: Glass | null = null;

/** Has a context made and its programs compiled while the page still waits for its data. */
export function prepare(): void {
  try {
    spare ??= new Glass();
  } catch {
    spare = null; // who takes one is told
  }
}

/** @throws Error where the browser has no WebGL. */
export function take(): Glass {
  const taken = spare && !spare.gl.isContextLost() ? spare : new Glass();
  spare = null;
  return taken;
}

/** Keeps a context that is no longer shown for the next picture: a browser allows few. */
export function giveBack(glass: Glass): void {
  glass.canvas.remove();
  spare = glass;
}
