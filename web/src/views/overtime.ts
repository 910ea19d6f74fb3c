/** What all views over time share: one axis, one cursor, and the hand on them. */
import type { Bench } from "../model/bench";
import { rem } from "../core/theme";

export class OverTime {
  /** Left edge and width of the drawn part [px]. */
  left = 0;
  width = 1;
  height = 1;
  private readonly cursor = document.createElement("div");
  private readonly band = document.createElement("div");
  private readonly tip = document.createElement("div");
  private readonly offs: (() => void)[] = [];
  private from = 0;
  private perSecond = 1;
  private mark: number | null = null;
  /** Where the host stands while it is dragged over. */
  private held: DOMRect | null = null;

  /**
   * @param pick is told the moment and the height [px] at which the pointer stands.
   * @param redraw is called when the window of time has changed.
   */
  constructor(
    readonly bench: Bench,
    readonly host: HTMLElement,
    private readonly pick: (t: number, y: number) => void,
    redraw: () => void,
    private readonly tell: ((t: number, y: number) => string | null) | null = null,
  ) {
    this.tip.className = "pointer-tip";
    this.tip.hidden = true;
    this.cursor.className = "cursor";
    this.band.className = "span";
    host.classList.add("overtime");
    host.append(this.band, this.cursor, this.tip);
    host.addEventListener("pointerleave", this.leave);
    host.addEventListener("pointerdown", this.down);
    host.addEventListener("pointermove", this.move);
    host.addEventListener("pointerup", this.up);
    host.addEventListener("pointercancel", this.up);
    host.addEventListener("wheel", this.wheel, { passive: false });
    host.addEventListener("dblclick", this.whole);
    this.offs.push(
      bench.window.on(() => {
        this.fit();
        redraw();
        this.show(bench.time.value);
        this.showSpan();
      }),
      bench.span.on(() => this.showSpan()),
    );
  }

  /** Gutter for names on the left, a little air on the right. */
  fit(): void {
    const size = rem();
    this.left = Math.round(4.2 * size);
    this.width = Math.max(this.host.clientWidth - this.left - Math.round(0.75 * size), 1);
    this.height = Math.max(this.host.clientHeight, 1);
    const { from, to } = this.bench.window.value;
    this.from = from;
    this.perSecond = this.width / (to - from);
    this.showSpan();
  }

  x(t: number): number {
    return this.left + (t - this.from) * this.perSecond;
  }

  t(x: number): number {
    return this.from + (x - this.left) / this.perSecond;
  }

  /** Puts the cursor at a moment. */
  show(t: number): void {
    this.cursor.style.transform = `translateX(${this.x(t)}px)`;
  }

  destroy(): void {
    this.offs.forEach((off) => off());
    this.host.removeEventListener("pointerdown", this.down);
    this.host.removeEventListener("pointermove", this.move);
    this.host.removeEventListener("pointerup", this.up);
    this.host.removeEventListener("pointercancel", this.up);
    this.host.removeEventListener("wheel", this.wheel);
    this.host.removeEventListener("dblclick", this.whole);
    this.host.removeEventListener("pointerleave", this.leave);
    this.cursor.remove();
    this.band.remove();
    this.tip.remove();
  }

  private showSpan(): void {
    const span = this.bench.span.value;
    this.band.hidden = !span;
    if (!span) return;
    const begin = Math.max(this.x(span.from), this.left);
    const end = Math.min(this.x(span.to), this.left + this.width);
    this.band.style.transform = `translateX(${begin}px)`;
    this.band.style.width = `${Math.max(end - begin, 1)}px`;
  }

  private readonly down = (event: PointerEvent): void => {
    if (event.button !== 0) return;
    this.host.setPointerCapture(event.pointerId);
    // Asked once a drag: each time the browser would lay out the page for the answer.
    this.held = this.host.getBoundingClientRect();
    const t = this.at(event);
    if (event.shiftKey) this.mark = t;
    this.act(t, event);
  };

  private readonly move = (event: PointerEvent): void => {
    if (this.host.hasPointerCapture(event.pointerId)) {
      this.tip.hidden = true;
      this.act(this.at(event), event);
    } else this.hover(event);
  };

  private readonly leave = (): void => {
    this.tip.hidden = true;
  };

  /** Says beside the pointer what stands under it. */
  private hover(event: PointerEvent): void {
    if (!this.tell) return;
    const { box } = this;
    const [x, y] = [event.clientX - box.left, event.clientY - box.top];
    const inside = x >= this.left && x <= this.left + this.width;
    const text = inside ? this.tell(this.t(x), y) : null;
    this.tip.hidden = text === null;
    if (text === null) return;
    this.tip.textContent = text;
    // Fixed to the window, so that a low view does not cut it.
    const [right, low] = [event.clientX > innerWidth / 2, event.clientY > 0.7 * innerHeight];
    this.tip.style.left = right ? "auto" : `${event.clientX + 14}px`;
    this.tip.style.right = right ? `${innerWidth - event.clientX + 14}px` : "auto";
    this.tip.style.top = low ? "auto" : `${event.clientY + 10}px`;
    this.tip.style.bottom = low ? `${innerHeight - event.clientY + 10}px` : "auto";
  }

  private readonly up = (): void => {
    this.mark = null;
    this.held = null;
  };

  private get box(): DOMRect {
    return this.held ?? this.host.getBoundingClientRect();
  }

  private at(event: MouseEvent): number {
    return this.bench.clamp(this.t(event.clientX - this.box.left));
  }

  private act(t: number, event: PointerEvent): void {
    if (this.mark !== null) {
      this.bench.span.value = { from: Math.min(this.mark, t), to: Math.max(this.mark, t) };
    }
    this.bench.goTo(t);
    this.pick(t, event.clientY - this.box.top);
  }

  private readonly wheel = (event: WheelEvent): void => {
    event.preventDefault();
    const { from, to } = this.bench.window.value;
    const sideways = event.shiftKey ? event.deltaY : event.deltaX;
    if (Math.abs(sideways) > Math.abs(event.shiftKey ? 0 : event.deltaY)) {
      const shift = (sideways / 600) * (to - from);
      this.bench.look(from + shift, to + shift);
    } else {
      this.bench.zoom(Math.exp(event.deltaY / 400), this.at(event));
    }
  };

  private readonly whole = (): void => {
    this.bench.window.value = this.bench.whole;
  };
}
