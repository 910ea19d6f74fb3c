/** What the server says of a trial. */

export interface TrialRow {
  id: string;
  name: string;
  specimen: string | null;
  thrower: string | null;
  date: string | null;
  verdict: "usable" | "care" | "unusable";
  reasons: string[];
  warnings: number;
  gaps: number | null;
  residual_rms: number | null;
  clock_sd: number | null;
  answered: boolean;
  stale: boolean;
  peak_tip_speed: [number, number | null] | null;
  peak_tip_mach: number | [number, number | null] | null;
  mends: number;
  running: boolean;
  /** Answers whose trial is not in the folder. */
  alone?: boolean;
  broken?: string | null;
}

export interface Quantity {
  value: number | null;
  sd?: number | null;
  low95?: number | null;
  high95?: number | null;
  unit: string;
  probability?: number;
  reason?: string;
  /** What the name means, as the register of answers has it. */
  definition?: string;
  group?: string;
}

export interface TrialEvent {
  name: string;
  time: number;
  station: number | null;
  sd: number | null;
  text: string;
}

export interface CameraInfo {
  name: string;
  rate: number;
  /** Frames, and how an even clock would count them; absent where frames follow each other evenly. */
  stamps?: [number, number][] | null;
  size: [number, number];
  projection: number[][] | null;
  intrinsics?: number[][] | null;
  distortion?: number[] | null;
  clock: { offset: number; drift: number; offset_sd?: number | null };
  frames: number;
  first_frame?: number | null;
  last_frame?: number | null;
  shows: string;
  registration?: { u: number; v: number } | null;
}

export interface TrialInfo {
  id: string;
  name: string;
  line: {
    length: number;
    handle_length: number;
    /** In SI. */
    table?: Record<string, number[]>;
    /** The unit that each column states in its own file, and the factor to SI. */
    units?: Record<string, { unit: string; factor: number }>;
  };
  markers: { rate: number; labels: string[]; stations: Record<string, number>; sd: number };
  cameras: CameraInfo[];
  quantities: Record<string, Quantity>;
  warnings: string[];
  events: TrialEvent[];
  checks: unknown[];
  answers_dir: string | null;
  stale: boolean;
  alone?: boolean;
  /** Folders with answers of a trial of the same name but of other inputs. */
  offered?: string[];
  /** The answers that the last run replaced. */
  before?: Record<string, Quantity> | null;
  verdict?: TrialRow["verdict"];
  reasons?: string[];
  /** A run of it that is under way or was the last. */
  run?: { id: string; state: string } | null;
}

/** Lab time of a camera's frame, by the clock in force. */
export function frameTime(camera: CameraInfo, frame: number): number {
  return camera.clock.offset + ((1 + camera.clock.drift) * along(camera.stamps, frame, 0)) / camera.rate;
}

/** The frame (a whole number) whose exposure is nearest to a lab time. */
export function frameAt(camera: CameraInfo, t: number): number {
  const counted = ((t - camera.clock.offset) * camera.rate) / (1 + camera.clock.drift);
  return Math.round(along(camera.stamps, counted, 1));
}

/** From one column of the stamps to the other, linear between rows and one for one beyond them. */
function along(stamps: [number, number][] | null | undefined, value: number, from: 0 | 1): number {
  if (!stamps?.length) return value;
  const to = from ? 0 : 1;
  let k = 0;
  while (k < stamps.length && stamps[k][from] <= value) k++;
  if (k === 0) return stamps[0][to] + value - stamps[0][from];
  const before = stamps[k - 1];
  if (k === stamps.length) return before[to] + value - before[from];
  const share = (value - before[from]) / (stamps[k][from] - before[from]);
  return before[to] + share * (stamps[k][to] - before[to]);
}

export function frameRange(camera: CameraInfo): [number, number] {
  const first = camera.first_frame ?? 0;
  const last = camera.last_frame ?? first + Math.max(camera.frames - 1, 0);
  return [first, last];
}
