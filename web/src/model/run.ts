/** A run on the server: started, followed, cancelled. */
import { Refusal, getJson, send, trialPath } from "../core/api";
import { Signal } from "../core/signal";

export interface RunState {
  id: string;
  state: "queued" | "running" | "done" | "failed" | "cancelled";
  stage: string;
  share: number;
  line: string | null;
  result?: string | null;
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
