// Every action with its key and its button.
import { asking } from "./ask";
import { byId, element } from "./element";

export interface Action {
  id: string; // of its button, if it has one
  keys: string[]; // as a KeyboardEvent names them, Shift+ or Ctrl+ before
  show?: string; // keys as the list shows them, where one line stands for several actions
  words: string; // "": in no list
  when?: () => boolean; // the key is free for the browser otherwise
  do: () => void;
}

export function keyOf(e: KeyboardEvent): string {
  const shifted = e.shiftKey && (e.key.length > 1 || /[A-Z]/.test(e.key));
  return `${e.ctrlKey || e.metaKey ? "Ctrl+" : ""}${shifted ? "Shift+" : ""}${e.key.length === 1 ? e.key.toLowerCase() : e.key}`;
}

export function shown(key: string): string {
  return key.replace("ArrowLeft", "←").replace("ArrowRight", "→").replace("ArrowUp", "↑").replace("ArrowDown", "↓").replace("Escape", "Esc").replace(/^ $/, "Space");
}

// listen has keys and buttons do what they stand for; actions are those there are
// just now.
export function listen(buttons: Action[], actions: () => Action[]): void {
  for (const a of buttons) if (a.id) byId(a.id).addEventListener("click", () => a.do());
  document.addEventListener("keydown", (e) => {
    if (asking() || e.altKey) return;
    const key = keyOf(e);
    if (["Enter", " "].includes(key) && ["BUTTON", "A"].includes((e.target as HTMLElement).tagName)) return;
    const a = actions().find((x) => x.keys.includes(key) && (x.when?.() ?? true));
    if (!a) return;
    e.preventDefault();
    a.do();
  });
}

// list is the list of keys, in two columns.
export function list(actions: Action[]): HTMLElement {
  const row = (a: Action) => element("tr", {}, element("th", { scope: "row" }, ...(a.show?.split(" ") ?? a.keys.map(shown)).flatMap((k) => [element("kbd", {}, k), " "])), element("td", {}, a.words));
  const rows = actions.filter((a) => a.words !== "" && a.keys.length > 0).map(row);
  const half = Math.ceil(rows.length / 2);
  const tables = [rows.slice(0, half), rows.slice(half)].map((r) => element("table", {}, element("tbody", {}, ...r)));
  return element("div", { class: "keys" }, ...tables);
}
