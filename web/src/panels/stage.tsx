/** The two pictures of the moment: the line in space and a fast camera's frame. */
import { useEffect, useState } from "preact/hooks";
import { getPack, trialPath } from "../core/api";
import { RAMPS, rampColour } from "../core/colour";
import { figures } from "../core/format";
import { useSignal } from "../core/signal";
import type { Bench } from "../model/bench";
import type { Frames } from "../model/frames";
import type { Player } from "../model/player";
import { SceneView } from "../views/scene/view";
import { VideoView } from "../views/video";
import { ViewFrame } from "./mount";

interface Props {
  id: string;
  bench: Bench;
  player: Player;
  frames: Frames[];
}

/** What stands in the view: the sign's class, and its name. */
const SIGNS: [string, string][] = [
  ["disc", "seen"],
  ["ring", "predicted"],
  ["cross", "distrusted"],
  ["wide-ring", "bend"],
  ["wide-ring chosen", "selected"],
  ["halo", "sd"],
  ["thin", "tip's path"],
];

/** The bright part of the ramp, as the line is painted. */
const SPEEDS = [0.25, 0.44, 0.62, 0.81, 1].map((x) => rampColour(RAMPS.speed, x)).join(", ");

export function SceneFrame(props: Props & { hold: (view: SceneView | null) => void }) {
  const { bench, player, frames } = props;
  const [note, setNote] = useState<string | null>(null);
  const [view, setView] = useState<SceneView | null>(null);
  const [band, setBand] = useState(2);
  const [pictures, setPictures] = useState(true);
  const hold = (made: SceneView | null): void => {
    props.hold(made);
    setView(made);
  };
  useEffect(() => {
    if (!view) return;
    view.content.band = band;
    view.content.pictures = pictures;
    player.wake();
  }, [view, band, pictures]);
  const speed = bench.motion?.fields.speed;
  return (
    <ViewFrame
      title="Line"
      name="line"
      kind="scene"
      trial={bench.info.name}
      player={player}
      deps={[bench]}
      hold={hold}
      make={(host) => new SceneView(bench, frames, host, player, setNote)}
      over={
        <p class="legend over">
          {speed ? (
            <>
              0 <i class="ramp" style={{ background: `linear-gradient(to right, ${SPEEDS})` }} />{" "}
              {figures(speed.high, 3)} m/s{" "}
            </>
          ) : null}
          {SIGNS.map(([sign, name]) => (
            <span class="item">
              <i class={sign} /> {name}
            </span>
          ))}{" "}
          <span class="soft">grid 0.5 m</span>
          {note ? <strong> {note}</strong> : null}
        </p>
      }
      controls={
        <>
          {bench.info.cameras.length ? (
            <label class="inline">
              <input
                type="checkbox"
                checked={pictures}
                onChange={(e) => setPictures(e.currentTarget.checked)}
              />
              pictures
            </label>
          ) : null}
          <label class="inline">
            band
            <select value={band} onChange={(e) => setBand(Number(e.currentTarget.value))}>
              <option value="2">2 sd</option>
              <option value="10">10 sd</option>
              <option value="50">50 sd</option>
            </select>
          </label>
          <button class="quiet" onClick={() => view?.fitLine()} title="fit the line (F)">
            Fit the line
          </button>
        </>
      }
    />
  );
}

export function VideoFrame(
  props: Props & { index: number; hold: (view: VideoView | null) => void },
) {
  const { id, bench, player, frames, index } = props;
  const camera = bench.info.cameras[index]!;
  const picking = useSignal(bench.picking);
  const [view, setView] = useState<VideoView | null>(null);
  useEffect(() => {
    if (!view) return;
    const path = `${trialPath(id, "/overlay")}?camera=${encodeURIComponent(camera.name)}`;
    getPack(path).then(
      (pack) => {
        if (pack) view.take(pack);
      },
      // Without it the page projects the line itself.
      () => undefined,
    );
  }, [view]);
  return (
    <ViewFrame
      title={
        camera.shows === "schlieren" ? "Schlieren" : camera.shows === "dots" ? "Infrared" : "Camera"
      }
      name={`video-${camera.name}`}
      kind={picking ? "video picking" : "video"}
      trial={bench.info.name}
      player={player}
      deps={[bench, index]}
      hold={(made: VideoView | null) => {
        props.hold(made);
        setView(made);
      }}
      make={(host) => new VideoView(bench, camera, index, frames[index]!, host, player)}
      legend={
        <p class="legend">
          <i class="stroke" /> line <i class="plus" /> point seen
        </p>
      }
      controls={<CameraChoice bench={bench} index={index} />}
    />
  );
}

function CameraChoice({ bench, index }: { bench: Bench; index: number }) {
  const { cameras } = bench.info;
  if (cameras.length < 2) return <span class="soft">{cameras[0]!.name}</span>;
  return (
    <label class="inline">
      <span class="hidden">camera</span>
      <select
        value={index}
        onChange={(e) => {
          bench.camera.value = Number(e.currentTarget.value);
        }}
      >
        {cameras.map((camera, i) => (
          <option value={i}>{camera.name}</option>
        ))}
      </select>
    </label>
  );
}
