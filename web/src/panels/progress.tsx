/** How far a run has come, and the way to stop it. */
import { duration, stageText, type RunState } from "../model/run";

export function Progress({ state, cancel }: { state: RunState | null; cancel: () => void }) {
  if (!state) return null;
  if (state.state === "queued" || state.state === "running") {
    const { elapsed, share } = state;
    const known = elapsed && share >= 0.05 && elapsed > 5;
    const left = known ? `, about ${duration((elapsed * (1 - share)) / share)} left` : "";
    return (
      <div class="progress" role="status">
        <progress max={1} value={state.share} aria-label="share of the run that is done" />
        <span>
          {state.state === "queued"
            ? "waiting for its turn"
            : `${stageText(state.stage)}: ${elapsed ? duration(elapsed) : "just begun"}${left}`}
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
