/** Numbers as people read them: as many figures as their deviation lets stand. */

const RAISED: Record<string, string> = {
  "-": "⁻", "0": "⁰", "1": "¹", "2": "²", "3": "³", "4": "⁴", "5": "⁵", "6": "⁶", "7": "⁷",
  "8": "⁸", "9": "⁹",
};
/** From this size on a number and its deviation share a power of ten. */
const LARGE = 1e5;
/** Below this a number is nothing but rounding, in every unit that is shown. */
const NOTHING = 1e-9;

/** A number to as many figures as its deviation supports: two of the deviation. */
export function withSd(value: number, sd: number | null | undefined, unit = ""): string {
  if (!Number.isFinite(value)) return "–";
  const tail = unit && unit !== "1" ? ` ${readableUnit(unit)}` : "";
  // What a free end has by rounding alone, as its curvature.
  if (Math.abs(value) < NOTHING && (sd ?? 0) < NOTHING) return `0${tail}`;
  if (sd === null || sd === undefined || !(sd > 0)) return figures(value, 5) + tail;
  const size = Math.max(Math.abs(value), sd);
  const power = size >= LARGE || size < 1e-4 ? Math.floor(Math.log10(size)) : 0;
  const scale = 10 ** power;
  const decimals = placesOf(sd / scale);
  const text = `${signed(value / scale, decimals)} ± ${(sd / scale).toFixed(decimals)}`;
  return (power ? `(${text}) × 10${raised(power)}` : text) + tail;
}

/** Decimals that show two figures of a deviation. */
export function placesOf(sd: number): number {
  return Math.min(Math.max(1 - Math.floor(Math.log10(sd)), 0), 9);
}

/** The 95 % interval, to the decimals of its width. */
export function between(low: number, high: number, unit = ""): string {
  const tail = unit && unit !== "1" ? ` ${readableUnit(unit)}` : "";
  const width = (high - low) / 4;
  if (!(width > 0)) return `${figures(low, 5)} to ${figures(high, 5)}${tail}`;
  const size = Math.max(Math.abs(low), Math.abs(high));
  const power = size >= LARGE || size < 1e-4 ? Math.floor(Math.log10(size)) : 0;
  const decimals = placesOf(width / 10 ** power);
  const text = [low, high].map((v) => signed(v / 10 ** power, decimals)).join(" to ");
  return (power ? `(${text}) × 10${raised(power)}` : text) + tail;
}

/** Whether one side of an interval is much longer than the other: then it says more than an sd. */
export function skewed(value: number, low: number, high: number): boolean {
  const [below, above] = [value - low, high - value];
  return below > 0 && above > 0 && Math.max(below, above) > 1.5 * Math.min(below, above);
}

export function signed(value: number, decimals: number): string {
  // What rounds to nothing has no sign.
  return value.toFixed(decimals).replace(/^-(?=[0.]*$)/, "").replace(/^-/, "−");
}

function raised(power: number): string {
  return String(power).replace(/./g, (c) => RAISED[c] ?? c);
}

/** A number to some figures, without an exponent where that is readable. */
export function figures(value: number, count = 4): string {
  if (!Number.isFinite(value)) return "–";
  if (Math.abs(value) < NOTHING) return "0";
  const size = Math.abs(value);
  if (size >= 1e6 || size < 1e-4) {
    const [digits, power] = value.toExponential(count - 1).split("e");
    return `${Number(digits)} × 10${raised(Number(power))}`.replace(/^-/, "−");
  }
  const decimals = Math.max(count - 1 - Math.floor(Math.log10(size)), 0);
  return Number(value.toFixed(Math.min(decimals, 9))).toString().replace(/^-/, "−");
}

export function readableUnit(unit: string): string {
  if (unit === "1") return "";
  return unit
    .replace(/-1\b/g, "⁻¹")
    .replace(/-2\b/g, "⁻²")
    .replace(/\^2\b/g, "²")
    .replace(/^m s⁻¹$/, "m/s")
    .replace(/^m s⁻²$/, "m/s²");
}

/** A moment on the lab clock, in milliseconds to a microsecond; with its sd to what that supports. */
export function moment(seconds: number, sd?: number | null): string {
  if (!Number.isFinite(seconds)) return "–";
  return sd ? withSd(1e3 * seconds, 1e3 * sd, "ms") : `${(1e3 * seconds).toFixed(3)} ms`;
}

export function share(value: number | null | undefined): string {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  return `${(100 * value).toFixed(value > 0 && value < 0.1 ? 1 : 0)} %`;
}
