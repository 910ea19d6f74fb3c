/** Shares of each marker's samples and each feature's points that were used, distrusted, missing. */
import { Seen, TRUSTED, type CameraPoints, type Sightings } from "./sightings";

export interface Count {
  label: string;
  /** False for a camera's feature, whose missing frames nobody counts. */
  marker: boolean;
  station: number | null;
  used: number;
  distrusted: number;
  missing: number | null;
  why: string;
}

/** Markers in the order of the labels, then every camera's features. */
export function countSightings(seen: Sightings): Count[] {
  return [
    ...seen.labels.map((_, l) => ofMarker(seen, l)),
    ...seen.cameras.flatMap((points) =>
      points.features.map((_, feature) => ofFeature(seen, points, feature)),
    ),
  ];
}

function ofMarker(seen: Sightings, l: number): Count {
  const n = Math.max(seen.time.length, 1);
  const label = seen.labels[l]!;
  const tally = [0, 0, 0, 0];
  let longest = 0;
  let gap = 0;
  for (let k = 0; k < seen.time.length; k++) {
    const state = seen.state(k, l);
    tally[state]!++;
    gap = state === Seen.Missing ? gap + 1 : 0;
    longest = Math.max(longest, gap);
  }
  const own = longest ? `longest gap ${(1e3 * longest * seen.interval).toFixed(0)} ms` : "";
  return {
    label,
    marker: true,
    station: seen.stations[l] ?? null,
    used: (tally[Seen.Used]! + tally[Seen.Unknown]!) / n,
    distrusted: tally[Seen.Distrusted]! / n,
    missing: tally[Seen.Missing]! / n,
    why: tally[Seen.Missing] || tally[Seen.Distrusted] ? (seen.reasons[label] ?? own) : "",
  };
}

function ofFeature(seen: Sightings, points: CameraPoints, feature: number): Count {
  let count = 0;
  let doubted = 0;
  points.feature.forEach((which, i) => {
    if (which !== feature) return;
    count++;
    if (points.weight[i]! < TRUSTED) doubted++;
  });
  return {
    label: `${points.features[feature]}, ${points.name}`,
    marker: false,
    station: null,
    used: count ? (count - doubted) / count : 0,
    distrusted: count ? doubted / count : 0,
    missing: null,
    why: seen.reasons[points.name] ?? `${count} points`,
  };
}
