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
  private readonly offs: (() => void)[] = [];
  private from = 0;
  private perSecond = 1;
  private mark: number | null = null;

  /**
   * @param pick is told the moment and the height [px] at which the pointer stands.
   * @param redraw is called when the window of time has changed.
   */
  constructor(
    readonly bench: Bench,
    readonly host: HTMLElement,
    private readonly pick: (t: number, y: number) => void,
    redraw: () => void,
  ) {
    this.cursor.className = "cursor";
    this.band.className = "span";
    host.classList.add("overtime");
    host.append(this.band, this.cursor);
    host.addEventListener("pointerdown", this.down);
    host.addEventListener("pointermove", this.move);
    host.addEventListener("pointerup", this.up);
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
    this.host.removeEventListener("wheel", this.wheel);
    this.host.removeEventListener("dblclick", this.whole);
    this.cursor.remove();
    this.band.remove();
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
    const t = this.at(event);
    if (event.shiftKey) this.mark = t;
    this.act(t, event);
  };

  private readonly move = (event: PointerEvent): void => {
    if (this.host.hasPointerCapture(event.pointerId)) this.act(this.at(event), event);
  };

  private readonly up = (): void => {
    this.mark = null;
  };

  private at(event: MouseEvent): number {
    return this.bench.clamp(this.t(event.clientX - this.host.getBoundingClientRect().left));
  }

  private act(t: number, event: PointerEvent): void {
    if (this.mark !== null) {
      this.bench.span.value = { from: Math.min(this.mark, t), to: Math.max(this.mark, t) };
    }
    this.bench.goTo(t);
    this.pick(t, event.clientY - this.host.getBoundingClientRect().top);
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
