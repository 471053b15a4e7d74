// The ground for dark rooms, kept from one visit to the next.
import { byId } from "./element";

const kept = "pithward-dim";

export function dim(): void {
  const on = document.documentElement.dataset.ground !== "dim";
  document.documentElement.dataset.ground = on ? "dim" : "";
  byId("dim").setAttribute("aria-pressed", `${on}`);
  localStorage.setItem(kept, on ? "yes" : "");
}

// dimIfKept makes the ground as it was on the last visit.
export function dimIfKept(): void {
  if (localStorage.getItem(kept)) dim();
}
