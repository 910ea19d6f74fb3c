/** How far a run has come, and the way to stop it. */
import type { RunState } from "../model/run";

export function Progress({ state, cancel }: { state: RunState | null; cancel: () => void }) {
  if (!state) return null;
  if (state.state === "queued" || state.state === "running") {
    return (
      <div class="progress" role="status">
        <progress max={1} value={state.share} />
        <span>
          {state.state === "queued"
            ? "waiting for its turn"
            : `${state.stage}, ${Math.round(100 * state.share)} %`}
        </span>
        <button onClick={cancel}>Cancel</button>
      </div>
    );
  }
  const words = {
    done: "Done.",
    failed: "Failed",
    cancelled: "Cancelled; the last good answer stands.",
  };
  return (
    <p role="status" class={state.state === "failed" ? "fault" : "soft"}>
      {words[state.state]}
      {state.state === "failed" && state.line ? `: ${state.line}` : ""}
    </p>
  );
}
