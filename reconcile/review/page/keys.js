// Every key of the page: what it does, shown in the list, done by keyboard and by the buttons that carry it.

import { element } from "./side.js";
import { ACTIONS } from "./decide.js";

const by = (id) => document.getElementById(id);

export function keysOf(desk) {
  const view = () => desk.activeView();
  return [
    ["Looking", [
      ["n", "next doubtful strike, the most doubtful first", () => desk.nextDoubtful()],
      ["b", "back to the strike that was looked at before", () => desk.back()],
      ["j", "following strike (of those that the filters leave)", () => desk.step(1)],
      ["k", "previous strike", () => desk.step(-1)],
      ["z", "overview to this strike", () => desk.toStrike()],
      ["p", "listen, or stop listening", () => desk.listen()],
      ["[", "5 dB quieter (listening only)", () => desk.gain(-5)],
      ["]", "5 dB louder (listening only)", () => desk.gain(5)],
      ["/", "filters", () => desk.openFilters()],
      ["s", "choose the station", () => by("station").focus()],
    ]],
    ["The figure that was used last (overview or strike)", [
      ["+", "closer", () => view().zoom(0.6, desk.anchor())],
      ["-", "wider", () => view().zoom(1 / 0.6, desk.anchor())],
      ["ArrowLeft", "earlier", () => view().shift(-0.2)],
      ["ArrowRight", "later", () => view().shift(0.2)],
      ["0", "all of it", () => view().all()],
      ["o", "use the overview", () => by("overview").focus()],
      ["w", "use the strike", () => by("strike-figure").focus()],
      [",", "cursor a step earlier (Shift: ten)", (far) => desk.moveCursor(far ? -10 : -1)],
      [".", "cursor a step later (Shift: ten)", (far) => desk.moveCursor(far ? 10 : 1)],
    ]],
    ["Deciding", [
      ...Object.entries(ACTIONS).map(([action, { key, title }]) => [key, title.toLowerCase(), () => desk.decisions.ask(action)]),
      ["d", "list of decisions", () => by("decisions-title").parentElement.parentElement.querySelector(".scroll").focus()],
    ]],
    ["Help", [["?", "this list", () => by("keys").showModal()]]],
  ];
}

const NAMES = { ArrowLeft: "←", ArrowRight: "→", "-": "−" };
const SAME = { "=": "+", _: "-", ";": ",", ":": ".", "<": ",", ">": ".", "−": "-" };

export function listen(desk) {
  const groups = keysOf(desk), actions = new Map(groups.flatMap(([, keys]) => keys.map(([key, , act]) => [key, act])));
  const single = by("single-keys");
  single.checked = localStorage.getItem("single-keys") !== "off";
  single.addEventListener("change", () => localStorage.setItem("single-keys", single.checked ? "on" : "off"));
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || !single.checked || document.querySelector("dialog[open]")) return;
    const { target } = event;
    if (target.matches("input:not([type=checkbox]), select, textarea")) return;
    const key = actions.has(event.key) ? event.key : SAME[event.key] ?? event.key.toLowerCase(), act = actions.get(key) ?? actions.get(event.key);
    if (!act || (key.startsWith("Arrow") && target.matches(".scroll"))) return;
    event.preventDefault();
    act(event.shiftKey);
  });
  for (const button of document.querySelectorAll("button[data-key]")) {
    const act = actions.get(button.dataset.key);
    button.addEventListener("click", (event) => {
      // buttons above the overview are about the overview, whichever figure was used last
      if (button.closest(".recording")) desk.active = "overview";
      act(event.shiftKey);
    });
  }
  by("open-keys").addEventListener("click", () => by("keys").showModal());
  by("close-keys").addEventListener("click", () => by("keys").close());
  const list = by("key-list");
  for (const [title, keys] of groups) {
    const terms = element("dl");
    for (const [key, text] of keys) {
      const name = element("dt");
      name.append(element("kbd", NAMES[key] ?? key.toUpperCase()));
      terms.append(name, element("dd", text));
    }
    list.append(element("h3", title), terms);
  }
}
