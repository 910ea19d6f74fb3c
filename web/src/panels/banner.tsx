/** Says when the server does not answer; what was typed stays where it is. */
import { link } from "../core/api";
import { useSignal } from "../core/signal";

export function Banner() {
  const state = useSignal(link);
  if (state === "up") return null;
  const text =
    state === "away"
      ? "The server does not answer. This page asks again every second; nothing that you typed is lost."
      : "The server was started anew with another token. Open the address that it printed; what you typed here stays until you leave.";
  return (
    <div class="banner" role="alert">
      {text}
    </div>
  );
}
