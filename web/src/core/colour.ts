/**
 * Colours of marks and maps.
 *
 * Marks take the set of Okabe and Ito (Color Universal Design, 2008). Maps take ramps of our own,
 * straight in lightness in OKLab (Ottosson, "A perceptual color space for image processing", 2020),
 * so that they read in grey and with any of the common kinds of colour blindness.
 */
export const MARK = {
  blue: "#0072b2",
  sky: "#56b4e9",
  green: "#009e73",
  orange: "#e69f00",
  vermilion: "#d55e00",
  purple: "#cc79a7",
} as const;

/** 256 steps, three bytes each. */
export type Ramp = Uint8Array;

function toByte(linear: number): number {
  const x = Math.min(Math.max(linear, 0), 1);
  return Math.round(255 * (x <= 0.0031308 ? 12.92 * x : 1.055 * x ** (1 / 2.4) - 0.055));
}

function fromOklab(light: number, a: number, b: number): [number, number, number] {
  const l = (light + 0.3963377774 * a + 0.2158037573 * b) ** 3;
  const m = (light - 0.1055613458 * a - 0.0638541728 * b) ** 3;
  const s = (light - 0.0894841775 * a - 1.291485548 * b) ** 3;
  return [
    toByte(4.0767416621 * l - 3.3077115913 * m + 0.2309699292 * s),
    toByte(-1.2684380046 * l + 2.6097574011 * m - 0.3413193965 * s),
    toByte(-0.0041960863 * l - 0.7034186147 * m + 1.707614701 * s),
  ];
}

/** Lightness rises from `dark` to `bright` while the hue turns from one angle to another [deg]. */
function makeRamp(dark: number, bright: number, from: number, to: number, chroma: number): Ramp {
  const ramp = new Uint8Array(256 * 3);
  for (let i = 0; i < 256; i++) {
    const x = i / 255;
    const hue = ((from + (to - from) * x) * Math.PI) / 180;
    // Little colour at both ends, where few colours of that lightness can be shown.
    const strength = chroma * (0.45 + 0.55 * Math.sin(Math.PI * (0.12 + 0.76 * x)));
    const light = dark + (bright - dark) * x;
    ramp.set(fromOklab(light, strength * Math.cos(hue), strength * Math.sin(hue)), 3 * i);
  }
  return ramp;
}

export const RAMPS = {
  speed: makeRamp(0.2, 0.93, 268, 88, 0.125),
  curvature: makeRamp(0.2, 0.93, 318, 168, 0.11),
  tension: makeRamp(0.2, 0.93, 22, 98, 0.125),
} as const;

/** Place on a ramp of a value: its root, so that the slow and the fast both show. */
export function onRamp(value: number, high: number): number {
  const share = value / high;
  return share <= 0 ? 0 : share >= 1 ? 1 : Math.sqrt(share);
}

export function rampColour(ramp: Ramp, share: number): string {
  const i = 3 * Math.round(255 * Math.min(Math.max(share, 0), 1));
  return `rgb(${ramp[i]} ${ramp[i + 1]} ${ramp[i + 2]})`;
}
