/** The list of keys, as it is listened to. */
import { useLayoutEffect, useRef } from "preact/hooks";
import { KEYS, shortcuts } from "../core/keys";
import { useSignal } from "../core/signal";

export function KeysDialog({ close }: { close: () => void }) {
  const dialog = useRef<HTMLDialogElement>(null);
  const on = useSignal(shortcuts);
  useLayoutEffect(() => dialog.current?.showModal(), []);
  return (
    <dialog ref={dialog} onClose={close} aria-label="Keys" class="keys">
      <h2>Keys</h2>
      <dl>
        {KEYS.map((key) => (
          <div>
            <dt>
              <kbd>{key.shown}</kbd>
            </dt>
            <dd>{key.does}</dd>
          </div>
        ))}
      </dl>
      <p class="soft">
        Wheel on anything over time: more or less of it; with Shift: along it. Drag: the clock.
        Shift and drag: mark a span. Double click: the whole record. Arrow keys on the edge between two panes move it. In the 3-D view: drag turns,
        Shift and drag shifts, wheel comes nearer, a click selects.
      </p>
      <label class="inline">
        <input
          type="checkbox"
          checked={on}
          onChange={(e) => {
            shortcuts.value = e.currentTarget.checked;
          }}
        />
        listen to these keys
      </label>
      <form method="dialog">
        <button>Close</button>
      </form>
    </dialog>
  );
}
