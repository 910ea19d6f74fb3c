/** The door: theme, address, and which page stands. */
import "uplot/dist/uPlot.min.css";
import "./style/base.css";
import "./style/bench.css";
import "./style/forms.css";
import { render } from "preact";
import { useEffect, useState } from "preact/hooks";
import { startTheme } from "./core/theme";
import { Banner } from "./panels/banner";
import { ListPage } from "./pages/list";
import { NewPage } from "./pages/new";
import { TrialPage } from "./pages/trial";

function usePlace(): string[] {
  const read = (): string[] =>
    location.hash.replace(/^#\/?/, "").split("/").map(decodeURIComponent);
  const [place, setPlace] = useState(read);
  useEffect(() => {
    const moved = (): void => setPlace(read());
    window.addEventListener("hashchange", moved);
    return () => window.removeEventListener("hashchange", moved);
  }, []);
  return place;
}

function App() {
  const [page, id] = usePlace();
  let body = <ListPage />;
  if (page === "trial" && id) body = <TrialPage key={id} id={id} />;
  if (page === "new") body = <NewPage />;
  return (
    <>
      <Banner />
      {body}
    </>
  );
}

startTheme();
render(<App />, document.getElementById("page")!);
