/** A value that tells its listeners when it changes. */
import { useEffect, useState } from "preact/hooks";

export class Signal<T> {
  private readonly listeners = new Set<(value: T) => void>();

  constructor(private current: T) {}

  get value(): T {
    return this.current;
  }

  set value(next: T) {
    if (Object.is(next, this.current)) return;
    this.current = next;
    this.listeners.forEach((tell) => tell(next));
  }

  /** Calls back on every change until the returned function is called. */
  on(tell: (value: T) => void): () => void {
    this.listeners.add(tell);
    return () => this.listeners.delete(tell);
  }
}

/** The same, drawn again no more often than that [ms]: for what is too dear to follow a drag. */
export function useCalm<T>(signal: Signal<T>, pace: number): T {
  const [value, set] = useState(signal.value);
  useEffect(() => {
    let waiting = 0;
    let last = -Infinity;
    const take = (): void => {
      waiting = 0;
      last = performance.now();
      set(() => signal.value);
    };
    const off = signal.on(() => {
      waiting ||= window.setTimeout(take, Math.max(last + pace - performance.now(), 0));
    });
    take();
    return () => {
      clearTimeout(waiting);
      off();
    };
  }, [signal]);
  return value;
}

/** The value of a signal in a component, which is drawn again when it changes. */
export function useSignal<T>(signal: Signal<T>): T {
  const [, redraw] = useState(0);
  useEffect(() => signal.on(() => redraw((n) => n + 1)), [signal]);
  return signal.value;
}
