/** The clock: play, step, how fast; and what is selected. */
import { useEffect, useRef } from "preact/hooks";
import { figures } from "../core/format";
import { setRate } from "../core/keys";
import { useSignal } from "../core/signal";
import type { Bench } from "../model/bench";
import type { Player } from "../model/player";
import { frameAt, frameRange } from "../model/trial";

export function Transport({ bench, player }: { bench: Bench; player: Player }) {
  const playing = useSignal(bench.playing);
  useSignal(bench.camera);
  const camera = bench.activeCamera;
  return (
    <div class="transport" role="toolbar" aria-label="clock">
      <button
        class="play"
        onClick={() => {
          bench.playing.value = !playing;
        }}
        title="Space"
      >
        {playing ? "Pause" : "Play"}
      </button>
      <Rate bench={bench} />
      <Clock bench={bench} player={player} />
      <span class="steps">
        <button onClick={() => bench.stepEvent(-1)} title="previous event ([)">
          « event
        </button>
        <button onClick={() => bench.stepSample(-1)} title="previous marker sample (Shift ←)">
          ← sample
        </button>
        <button
          onClick={() => bench.stepFrame(-1)}
          disabled={!camera}
          title="previous fast frame (←)"
        >
          ← frame
        </button>
        <button onClick={() => bench.stepFrame(1)} disabled={!camera} title="next fast frame (→)">
          frame →
        </button>
        <button onClick={() => bench.stepSample(1)} title="next marker sample (Shift →)">
          sample →
        </button>
        <button onClick={() => bench.stepEvent(1)} title="next event (])">
          event »
        </button>
      </span>
      <Zoom bench={bench} />
    </div>
  );
}

/** From real time down to one fast frame a second, in quarter decades. */
function Rate({ bench }: { bench: Bench }) {
  const rate = useSignal(bench.rate);
  const slowest = bench.activeCamera ? 1 / bench.activeCamera.rate : 1e-4;
  const low = Math.log10(Math.min(slowest, 1e-4));
  return (
    <label class="inline rate">
      <span class="hidden">speed of the clock</span>
      <input
        type="range"
        min={low}
        max={0}
        step={0.25}
        value={Math.log10(rate)}
        aria-valuetext={rateText(bench, rate)}
        onInput={(e) => setRate(bench, 10 ** Number(e.currentTarget.value))}
      />
      <output>{rateText(bench, rate)}</output>
    </label>
  );
}

function rateText(bench: Bench, rate: number): string {
  if (rate >= 0.999) return "real time";
  const camera = bench.activeCamera;
  if (camera && rate * camera.rate < 30) return `${figures(rate * camera.rate, 2)} frames/s`;
  return `1/${figures(1 / rate, 2)}`;
}

/** Written in the frame loop, without the components. */
function Clock({ bench, player }: { bench: Bench; player: Player }) {
  const place = useRef<HTMLOutputElement>(null);
  useEffect(() => {
    const camera = bench.activeCamera;
    const [first, last] = camera ? frameRange(camera) : [NaN, NaN];
    return player.add({
      show(t) {
        const frame = camera ? frameAt(camera, t) : NaN;
        const there = frame >= first && frame <= last ? `, frame ${frame}` : "";
        place.current!.textContent = `${(1e3 * t).toFixed(3)} ms${there}`;
      },
    });
  }, [bench, player, bench.camera.value]);
  return <output class="clock" ref={place} />;
}

function Zoom({ bench }: { bench: Bench }) {
  const { from, to } = useSignal(bench.window);
  return (
    <span class="steps">
      <button onClick={() => bench.zoom(0.5)} title="show less time (I)">
        closer
      </button>
      <button
        onClick={() => {
          bench.window.value = bench.whole;
        }}
        title="show the whole record (P)"
      >
        whole
      </button>
      <span class="soft">{figures(1e3 * (to - from), 3)} ms</span>
    </span>
  );
}
