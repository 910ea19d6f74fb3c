/** The strip on top of every page. */
import type { ComponentChildren } from "preact";
import { useSignal } from "../core/signal";
import { switchTheme, theme } from "../core/theme";

export function Head({ children, title }: { children?: ComponentChildren; title: string }) {
  const now = useSignal(theme);
  document.title = `${title} · lashwave`;
  return (
    <header class="head">
      <a class="home" href="#/" aria-label="all trials">
        <svg viewBox="0 0 32 20" aria-hidden="true">
          <path d="M1 17C9 19 16 17 19 11S21 1 15 2s-5 9 3 9 9-5 9-8" />
          <circle cx="27" cy="3" r="2" />
        </svg>
        Trials
      </a>
      {children}
      <button class="quiet" onClick={switchTheme} title="light or dark (T)">
        {now === "dark" ? "Light" : "Dark"}
      </button>
    </header>
  );
}
