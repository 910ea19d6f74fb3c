/** The mends of a trial as the server keeps them, and what this page asks of them. */
import { Refusal, getJson, send, trialPath } from "../core/api";
import { Signal } from "../core/signal";

export type Mend = Record<string, string | number> & { kind: string };

export interface MendList {
  etag: string;
  mends: Mend[];
  undo: number;
  redo: number;
  kinds?: string[];
  /** One line where the file on disk cannot be read. */
  fault?: string | null;
}

export class Mends {
  readonly list = new Signal<MendList | null>(null);
  /** What to tell the reader: a conflict, a refusal; null where all is well. */
  readonly said = new Signal<string | null>(null);
  readonly busy = new Signal(false);

  constructor(private readonly trial: string) {}

  async load(): Promise<void> {
    try {
      this.list.value = await getJson<MendList>(trialPath(this.trial, "/mends"));
    } catch (failure) {
      this.said.value = (failure as Error).message;
    }
  }

  /** Whether it was taken; where not, `said` has the reason and nothing typed is lost. */
  add(mend: Mend): Promise<boolean> {
    return this.put([...(this.list.value?.mends ?? []), mend]);
  }

  remove(index: number): Promise<boolean> {
    return this.put((this.list.value?.mends ?? []).filter((_, i) => i !== index));
  }

  /** Puts another mend in the place of one. */
  replace(index: number, mend: Mend): Promise<boolean> {
    return this.put((this.list.value?.mends ?? []).map((old, i) => (i === index ? mend : old)));
  }

  undo(): Promise<boolean> {
    return this.change("POST", "/mends/undo", {});
  }

  redo(): Promise<boolean> {
    return this.change("POST", "/mends/redo", {});
  }

  private put(mends: Mend[]): Promise<boolean> {
    return this.change("PUT", "/mends", { mends });
  }

  private async change(method: "PUT" | "POST", rest: string, body: unknown): Promise<boolean> {
    if (!this.list.value) await this.load();
    const now = this.list.value;
    if (!now || this.busy.value) return false;
    this.busy.value = true;
    try {
      await send(method, trialPath(this.trial, rest), body, { "If-Match": now.etag });
      this.said.value = null;
      await this.load();
      return true;
    } catch (failure) {
      await this.explain(failure as Refusal);
      return false;
    } finally {
      this.busy.value = false;
    }
  }

  private async explain(refused: Refusal): Promise<void> {
    if (refused.status === 409) {
      await this.load();
      this.said.value =
        "Someone else changed the mends since this page read them. The list now shows theirs; " +
        "what you entered is still in the form: look at both, then save again.";
      return;
    }
    this.said.value =
      refused.status === 0
        ? "The server is away; nothing was saved, and what you entered is kept."
        : inForm(refused.message);
  }
}

/** The server's words without the file and the line, which the form does not show. */
function inForm(message: string): string {
  return message.replace(/^[^\s:]*mends\.toml(, line \d+)?(, (field )?)?:?\s*/, "").replace(/mend\[\d+\]\./g, "");
}

/** An entry of the line's table in the unit of its file; in SI where that is not known. */
function inUnit(mend: Mend, units: Record<string, { unit: string; factor: number }>): string {
  const own = units[String(mend["column"])];
  const value = Number(mend["value"]) / (own?.factor ?? 1);
  return `${Number(value.toPrecision(6))}${own ? ` ${own.unit}` : " (SI)"}`;
}

/** One line that says what a mend does. */
export function describe(
  mend: Mend,
  units: Record<string, { unit: string; factor: number }> = {},
): string {
  const ms = (key: string): string =>
    typeof mend[key] === "number"
      ? `${(1e3 * (mend[key] as number)).toFixed(2)} ms`
      : String(mend[key] ?? "…");
  const span = mend["from"] !== undefined ? ` from ${ms("from")} to ${ms("to")}` : "";
  switch (mend.kind) {
    case "reject-marker":
      return `Marker ${mend["marker"]} set aside${span}`;
    case "relabel-marker":
      return `Markers ${mend["marker"]} and ${mend["as"]} exchanged${span}`;
    case "reject-point":
      return `${mend["feature"] ?? "Points"} of ${mend["camera"]} set aside, frames ${mend["from"]} to ${mend["to"]}`;
    case "correct-point":
      return `${mend["feature"]} of ${mend["camera"]} put at ${mend["u"]}, ${mend["v"]} px in frame ${mend["frame"]}`;
    case "clock-offset":
      return `Clock of ${mend["camera"]} set to ${ms("offset")}`;
    case "station":
      return `Station of ${mend["marker"]} set to ${mend["station"]} m`;
    case "line-entry":
      return `${String(mend["column"]).replace(/_/g, " ")} of the line at ${mend["station"]} m set to ${inUnit(mend, units)}`;
    case "line-table":
      return `Line table ${mend["table"]}`;
    default:
      return mend.kind;
  }
}
