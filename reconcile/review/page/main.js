// Begins: puts the parts together and listens to the controls.

import { Decisions } from "./decide.js";
import { Desk } from "./desk.js";
import { listen } from "./keys.js";
import { Overview } from "./overview.js";
import { StrikeFigure } from "./strike.js";

const by = (id) => document.getElementById(id);

if (location.search) history.replaceState(null, "", "/"); // the token is in the cookie now, not in the history

const desk = new Desk();
desk.overview = new Overview(desk, by("overview"), by("strip"));
desk.strikeFigure = new StrikeFigure(desk, by("strike-figure"));
desk.decisions = new Decisions(desk);
desk.legend();
listen(desk);

by("station").addEventListener("change", () => desk.trying(() => desk.changeStation(by("station").value)));
by("stretch").addEventListener("change", () => {
  const span = desk.spans[Number(by("stretch").value)];
  if (by("stretch").value !== "" && span) desk.overview.view.set(...span);
  by("stretch").value = "";
});
for (const control of by("filters").querySelectorAll("input, select")) control.addEventListener("change", () => {
  desk.filter();
  const chosen = desk.chosen();
  if (chosen) desk.getReady(chosen.place);
});
by("no-filters").addEventListener("click", () => {
  for (const control of by("filters").querySelectorAll("input, select")) { control.value = ""; control.checked = false; }
  desk.filter();
});
for (const [id, name] of [["overview", "overview"], ["strike-figure", "strike"]]) for (const event of ["focus", "pointerdown", "wheel"])
  by(id).addEventListener(event, () => { desk.active = name; }, { passive: true });
window.addEventListener("resize", () => { desk.overview.changed(); desk.strikeFigure.draw(); });
window.addEventListener("focus", () => { if (desk.campaign) desk.trying(() => desk.decisions.refresh()); });
window.addEventListener("pagehide", () => desk.keepPlace());

await desk.trying(() => desk.start());
desk.decisionsChanged();
requestAnimationFrame(() => requestAnimationFrame(() => { document.body.dataset.ready = String(Math.round(performance.now())); }));
