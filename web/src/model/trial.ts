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
  return camera.clock.offset + ((1 + camera.clock.drift) * frame) / camera.rate;
}

/** The frame (a whole number) whose exposure is nearest to a lab time. */
export function frameAt(camera: CameraInfo, t: number): number {
  return Math.round(((t - camera.clock.offset) * camera.rate) / (1 + camera.clock.drift));
}

export function frameRange(camera: CameraInfo): [number, number] {
  const first = camera.first_frame ?? 0;
  const last = camera.last_frame ?? first + Math.max(camera.frames - 1, 0);
  return [first, last];
}
