/** A run on the server: started, followed, cancelled. */
import { Refusal, getJson, send, trialPath } from "../core/api";
import { Signal } from "../core/signal";

export interface RunState {
  id: string;
  state: "queued" | "running" | "done" | "failed" | "cancelled";
  stage: string;
  share: number;
  line: string | null;
  /** Seconds since it began; null while it waits. */
  elapsed?: number | null;
  result?: string | null;
}

/** Stages as the server names them, in words that say what happens. */
const STAGES: [RegExp, string][] = [
  [/^starting|^reading/, "reading the trial"],
  [/^dots of (.*)/, "finding dots in camera $1"],
  [/^points in space/, "placing the dots in space"],
  [/^labels/, "telling which dot is which marker"],
  [/^strobe/, "finding the markers' strobe in the frames"],
  [/^background/, "learning what the empty picture looks like"],
  [/^tip/, "finding the tip in the frames"],
  [/^fronts and sounds/, "working out what the crack sent into the air"],
  [/^fronts/, "finding pressure fronts in the frames"],
  [/^forward sweep/, "a first motion, from start to end"],
  [/^second forward sweep/, "a first motion again, in shorter steps"],
  [/^posterior/, "drawing motions that fit, for the intervals"],
  [/^motion/, "putting the motion together"],
  [/^answers/, "working out the answers"],
  [/^report/, "drawing the report"],
  [/^writing/, "writing the answers"],
  [/^drawing/, "drawing the film"],
];

export function stageText(stage: string): string {
  for (const [known, words] of STAGES) {
    const match = known.exec(stage);
    if (match) return words.replace("$1", match[1] ?? "");
  }
  return stage;
}

/** A duration as one says it. */
export function duration(seconds: number): string {
  if (seconds < 90) return `${Math.round(seconds)} s`;
  return `${Math.floor(seconds / 60)} min ${String(Math.round(seconds % 60)).padStart(2, "0")} s`;
}

export class Run {
  readonly state = new Signal<RunState | null>(null);
  readonly said = new Signal<string | null>(null);
  private stopped = false;

  constructor(private readonly done: (state: RunState) => void) {}

  get going(): boolean {
    const state = this.state.value?.state;
    return state === "queued" || state === "running";
  }

  async start(trial: string, rest: string, body: unknown): Promise<void> {
    this.said.value = null;
    try {
      const reply = await send<{ run: string }>("POST", trialPath(trial, rest), body);
      await this.follow(reply.run);
    } catch (failure) {
      const refused = failure as Refusal;
      const going = refused.body["run"];
      // Another tab was first: its run is followed here too.
      if (refused.status === 409 && typeof going === "string") await this.follow(going);
      else this.said.value = refused.message;
    }
  }

  /** Asks until it ends; while the server is away it keeps asking. */
  async follow(id: string): Promise<void> {
    while (!this.stopped) {
      try {
        const state = await getJson<RunState>(`/api/runs/${encodeURIComponent(id)}`);
        this.state.value = { ...state, id };
        if (!this.going) {
          if (state.state === "done") this.done(this.state.value);
          return;
        }
      } catch (failure) {
        const refused = failure as Refusal;
        if (refused.status !== 0) {
          this.state.value = null;
          this.said.value = "The server no longer knows this run; the last good answer stands.";
          return;
        }
      }
      await new Promise((wake) => setTimeout(wake, 400));
    }
  }

  async cancel(): Promise<void> {
    const id = this.state.value?.id;
    if (!id) return;
    try {
      await send("DELETE", `/api/runs/${encodeURIComponent(id)}`);
    } catch (failure) {
      this.said.value = (failure as Refusal).message;
    }
  }

  close(): void {
    this.stopped = true;
  }
}
