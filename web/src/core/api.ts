/** Talking to the server on this machine: token, errors, and whether it answers at all. */
import { Pack } from "./pack";
import { Signal } from "./signal";

export type Link = "up" | "away" | "refused";

/** Whether the server answers; `refused` where it runs anew under another token. */
export const link = new Signal<Link>("up");

/* The token is in a cookie that scripts cannot read and no other site's request carries. */

export class Refusal extends Error {
  constructor(
    readonly status: number,
    message: string,
    readonly field: string | null,
    readonly body: Record<string, unknown>,
  ) {
    super(message);
  }
}

/** An address that stands alone, for images, downloads and event streams. */
export function address(path: string, query: Record<string, string> = {}): string {
  const text = new URLSearchParams(query).toString();
  return text ? `${path}?${text}` : path;
}

export function trialPath(id: string, rest = ""): string {
  return `/api/trials/${encodeURIComponent(id)}${rest}`;
}

async function ask(path: string, init: RequestInit = {}): Promise<Response> {
  let reply: Response;
  try {
    reply = await fetch(path, init);
  } catch (failure) {
    if ((failure as Error).name !== "AbortError") lost();
    throw new Refusal(0, "the server does not answer", null, {});
  }
  if (reply.status === 401) link.value = "refused";
  if (!reply.ok) throw await refusal(reply);
  return reply;
}

async function refusal(reply: Response): Promise<Refusal> {
  let body: Record<string, unknown> = {};
  try {
    body = (await reply.json()) as Record<string, unknown>;
  } catch {
    // Not JSON: the status alone has to do.
  }
  const said = typeof body["error"] === "string" ? body["error"] : `status ${reply.status}`;
  const field = typeof body["field"] === "string" ? body["field"] : null;
  return new Refusal(reply.status, said, field, body);
}

export async function getJson<T>(path: string): Promise<T> {
  return (await (await ask(path)).json()) as T;
}

/** A pack of arrays; null where the server has none yet. */
export async function getPack(path: string): Promise<Pack | null> {
  const reply = await ask(path);
  return reply.status === 204 ? null : new Pack(await reply.arrayBuffer());
}

export async function getBlob(path: string, signal?: AbortSignal): Promise<Blob> {
  return (await ask(path, signal ? { signal } : {})).blob();
}

/** Sends JSON and reads JSON; an empty reply is an empty object. */
export async function send<T>(
  method: "POST" | "PUT" | "DELETE",
  path: string,
  body: unknown = {},
  headers: Record<string, string> = {},
): Promise<T> {
  const reply = await ask(path, {
    method,
    headers: { "Content-Type": "application/json", ...headers },
    body: JSON.stringify(body),
  });
  const text = await reply.text();
  return (text ? JSON.parse(text) : {}) as T;
}

let waiting = false;

/** Says so once, and asks again every second until the server is back. */
export function lost(): void {
  link.value = "away";
  if (waiting) return;
  waiting = true;
  const again = async (): Promise<void> => {
    try {
      const reply = await fetch(address("/api/ping"));
      waiting = false;
      link.value = reply.status === 401 ? "refused" : "up";
    } catch {
      setTimeout(() => void again(), 1000);
    }
  };
  setTimeout(() => void again(), 500);
}
