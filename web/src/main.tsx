/** The door: theme, address, and which page stands. */
import "uplot/dist/uPlot.min.css";
import "./style/base.css";
import "./style/bench.css";
import "./style/forms.css";
import { render } from "preact";
import { usePlace } from "./core/place";
import { startTheme } from "./core/theme";
import { Banner } from "./panels/banner";
import { CampaignPage } from "./pages/campaign";
import { ComparePage } from "./pages/compare";
import { ListPage } from "./pages/list";
import { NewPage } from "./pages/new";
import { TrialPage } from "./pages/trial";

function App() {
  const { page, ids } = usePlace();
  const id = ids[0];
  let body = <ListPage />;
  if (page === "trial" && id) body = <TrialPage key={id} id={id} />;
  if (page === "new") body = <NewPage />;
  if (page === "campaign" && id) body = <CampaignPage key={id} name={id} />;
  if (page === "compare") body = <ComparePage key={ids.join("/")} ids={ids} />;
  return (
    <>
      <Banner />
      {body}
    </>
  );
}

startTheme();
render(<App />, document.getElementById("page")!);
