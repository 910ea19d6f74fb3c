/** Numbers as people read them. */

/** A number to as many figures as its deviation supports: two of the deviation, six at most. */
export function withSd(value: number, sd: number | null | undefined, unit = ""): string {
  const tail = unit && unit !== "1" ? ` ${readableUnit(unit)}` : "";
  if (!Number.isFinite(value)) return "–";
  if (sd === null || sd === undefined || !(sd > 0)) return figures(value, 5) + tail;
  const decimals = Math.min(Math.max(1 - Math.floor(Math.log10(sd)), 0), 9);
  return `${value.toFixed(decimals)} ± ${sd.toFixed(decimals)}${tail}`;
}

/** A number to some figures, without an exponent where that is readable. */
export function figures(value: number, count = 4): string {
  if (!Number.isFinite(value)) return "–";
  if (Math.abs(value) < 1e-9) return "0";
  const size = Math.abs(value);
  if (size >= 1e6 || size < 1e-4) return value.toExponential(count - 1).replace("e", " e");
  const decimals = Math.max(count - 1 - Math.floor(Math.log10(size)), 0);
  return Number(value.toFixed(Math.min(decimals, 9))).toString();
}

export function readableUnit(unit: string): string {
  if (unit === "1") return "";
  return unit
    .replace(/ /g, " ")
    .replace(/-1\b/g, "⁻¹")
    .replace(/-2\b/g, "⁻²")
    .replace(/\^2\b/g, "²")
    .replace(/^m s⁻¹$/, "m/s")
    .replace(/^m s⁻²$/, "m/s²");
}

/** A moment on the lab clock, in milliseconds to a microsecond. */
export function moment(seconds: number): string {
  return Number.isFinite(seconds) ? `${(1e3 * seconds).toFixed(3)} ms` : "–";
}

export function share(value: number | null | undefined): string {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  return `${(100 * value).toFixed(value > 0 && value < 0.1 ? 1 : 0)} %`;
}
