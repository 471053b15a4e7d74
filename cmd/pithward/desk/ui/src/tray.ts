// The tray view: every scan with its cores, what needs a person first.
import { half } from "./coords";
import { overlap, tileSize } from "./crop";
import { Drawing } from "./drawing";
import { element } from "./element";
import { keyOf } from "./keys";
import type { CoreLine, Point, Project, Scan } from "./model";

export interface Doings {
  second: (scan: Scan, core: CoreLine) => void; // take a core's second radius up as a core
  open: (scan: Scan, core: CoreLine) => void;
  back: (scan: Scan, core: { uid: string; revision: number }) => void; // bring a deleted core back
  scale: (scan: Scan) => void;
  undo: (scan: Scan, way: "undo" | "redo") => void; // of the scan's own edits
  draw: (scan: Scan, path: Point[]) => void; // a core that was not found: its radius from bark to pith
}

export function tray(p: Project, doings: Doings): Node[] {
  return p.scans.map((s) => section(s, doings));
}

function section(s: Scan, { open, second, back, scale, undo, draw }: Doings): HTMLElement {
  const open_ = s.cores.reduce((n, c) => n + c.open, 0);
  const head = element("h2", {}, s.file, s.status === "measured" ? element("small", {}, ` ${s.cores.length} core${s.cores.length === 1 ? "" : "s"}, ${open_} doubt${open_ === 1 ? "" : "s"} to settle`) : "");
  if (s.status !== "measured") {
    const words = s.status === "failed" ? `could not be measured: ${s.error}` : s.status === "waiting" ? "waits to be measured" : `is being measured: ${s.stage}`;
    const bar = element("progress", { max: `${Math.max(1, s.of)}`, "aria-label": `measuring ${s.file}` }) as HTMLProgressElement;
    if (s.of > 0) bar.value = s.done;
    return element("section", { class: "scan" }, head, element("p", {}, words), s.status === "measuring" ? bar : "");
  }
  const cores = [...s.cores].sort((a, b) => rank(b) - rank(a));
  const correct = button("Correct the scale", () => scale(s), "k");
  const shown = picture(s, open);
  const bar = element("p", { class: "drawing", role: "status" });
  const add = button("Add a core", () => pick(s, shown, bar, () => add.focus(), (path) => draw(s, path)), "i");
  return element(
    "section",
    { class: "scan" },
    head,
    element(
      "p",
      { class: "files" },
      "Save as settled: ",
      ...s.files.flatMap((f) => [element("a", { href: `/api/runs/${s.run}/export/${f}`, download: "" }, f), " "]),
      correct,
      add,
      s.undo ? button(`Undo ${ownWords(s.undo)}`, () => undo(s, "undo"), "u") : "",
      s.redo ? button(`Redo ${ownWords(s.redo)}`, () => undo(s, "redo"), "r") : "",
    ),
    bar,
    ...s.cores.filter((c) => c.second > 0).map((c) => element("p", { class: "heed" }, `${c.id} passes the pith: ${c.second} rings beyond it are not among its widths. `, button("Take them up as a core", () => second(s, c)))),
    ...s.deleted.map((d) => element("p", { class: "heed" }, `${d.id} was taken off as no core. `, button(`Bring ${d.id} back`, () => back(s, d)))),
    ...s.joins.map((w) => element("p", { class: "heed" }, w)),
    ...s.renewed.map((w) => element("p", { class: "heed renewed" }, w)),
    ...s.not_carried.map((w) => element("p", { class: "heed renewed" }, `Not carried over: ${w}`)),
    ...s.warnings.map((w) => element("p", { class: "heed" }, w)),
    s.error ? element("p", { class: "heed" }, `The wood cannot be shown: ${s.error}`) : s.tiles ? "" : element("p", { class: "heed" }, `The picture is being made ready: ${s.stage || "waits"}`),
    element("div", { class: "tray" }, shown, list(s, cores, open)),
  );
}

const ownWords = (kind: string) => (kind === "scale" ? "the scale" : "the new core");

// press presses the button that has a key, of the scan that has the focus or
// else of the first that has such a button.
export function press(key: string): void {
  const of = document.activeElement?.closest(".scan") ?? document;
  const find = (e: ParentNode) => e.querySelector<HTMLElement>(`#tray-view button[data-key="${key}"]`);
  (find(of) ?? find(document))?.click();
}

// pick has a radius drawn on the picture, from bark to pith, by mouse or by
// keys.
function pick(s: Scan, box: HTMLElement, bar: HTMLElement, left: () => void, take: (path: Point[]) => void): void {
  const root = box.querySelector("svg") as SVGSVGElement;
  if (root.dataset.picking) return root.focus();
  root.dataset.picking = "yes";
  root.tabIndex = 0;
  const drawing = new Drawing([s.width_px / 2, s.height_px / 2]);
  const group = svg("g", {});
  const cross = (p: Point, l: number) => `M${p[0] - l} ${p[1]}H${p[0] + l}M${p[0]} ${p[1] - l}V${p[1] + l}`;
  const draw = () => {
    const path = drawing.path.map((q): Point => [q[0] + half, q[1] + half]);
    const size = s.width_px / 50;
    group.replaceChildren(
      svg("polyline", { points: path.map((q) => q.join(",")).join(" ") }),
      ...path.map((q) => svg("circle", { class: "knot", cx: `${q[0]}`, cy: `${q[1]}`, r: `${size / 4}` })),
      ...["cursor halo", "cursor"].map((c) => svg("path", { class: c, d: cross([drawing.cursor[0] + half, drawing.cursor[1] + half], size), "vector-effect": "non-scaling-stroke", fill: "none" })),
    );
    words.textContent = drawing.held >= 0 ? "Arrows carry the place; Space puts it down. " : `Radius from bark to pith, ${drawing.places.length} places: a click or Space sets one; arrows move. `;
  };
  const place = () => drawing.place(s.width_px / 100);
  const leave = (path: Point[]) => {
    root.removeEventListener("click", click, true);
    root.removeEventListener("keydown", key);
    delete root.dataset.picking;
    group.remove();
    bar.replaceChildren();
    left();
    if (path.length > 1) take(path);
  };
  const click = (e: MouseEvent) => {
    const to = root.getScreenCTM();
    if (!to) return;
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(to.inverse());
    drawing.moveTo([p.x - half, p.y - half]);
    place();
    draw();
    e.stopPropagation();
  };
  const move = (dx: number, dy: number) => () => {
    const inside = (x: number, size: number) => Math.max(0, Math.min(size - 1, x));
    drawing.moveTo([inside(drawing.cursor[0] + (dx * s.width_px) / 250, s.width_px), inside(drawing.cursor[1] + (dy * s.width_px) / 250, s.height_px)]);
  };
  const far = 10;
  const doings: Record<string, () => void> = {
    ArrowLeft: move(-1, 0), ArrowRight: move(1, 0), ArrowUp: move(0, -1), ArrowDown: move(0, 1),
    "Shift+ArrowLeft": move(-far, 0), "Shift+ArrowRight": move(far, 0), "Shift+ArrowUp": move(0, -far), "Shift+ArrowDown": move(0, far),
    " ": place, x: () => drawing.drop(), Delete: () => drawing.drop(), n: () => drawing.go(1), p: () => drawing.go(-1),
  };
  const key = (e: KeyboardEvent) => {
    const k = keyOf(e);
    const act = doings[k];
    if (k === "Enter") leave(drawing.path);
    else if (k === "Escape") leave([]);
    else if (act) {
      act();
      draw();
    } else return;
    e.preventDefault();
    e.stopPropagation();
  };
  const words = element("span", {});
  const act = (label: string, k: string, f: () => void) => button(label, () => { f(); if (root.dataset.picking) { draw(); root.focus(); } }, k);
  bar.replaceChildren(words, act("Place", "Space", place), act("Take away", "x", () => drawing.drop()), act("Take", "Enter", () => leave(drawing.path)), act("Leave", "Esc", () => leave([])));
  root.append(group);
  root.addEventListener("click", click, true);
  root.addEventListener("keydown", key);
  draw();
  root.focus();
}

function button(words: string, act: () => void, key = ""): HTMLElement {
  const b = element("button", { type: "button", class: "plain", "data-key": key }, words, ...(key ? [" ", element("kbd", {}, key)] : []));
  b.addEventListener("click", act);
  return b;
}

function svg(name: string, attributes: Record<string, string>): SVGElement {
  const e = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  return e;
}

// rank puts open cores before settled ones, the costliest doubts first.
function rank(c: CoreLine): number {
  return c.stage === "signed off" || c.stage === "rejected" ? -1 : c.cost;
}

function list(s: Scan, cores: CoreLine[], open: (scan: Scan, core: CoreLine) => void): HTMLElement {
  const rows = cores.map((c) => {
    const go = element("button", { type: "button", class: "core-name" }, c.id);
    go.addEventListener("click", () => open(s, c));
    return element(
      "tr",
      { "data-stage": c.stage },
      element("th", { scope: "row" }, go),
      element("td", {}, `${mark(c.stage)} ${c.stage}${c.why ? `: ${c.why}` : ""}`),
      element("td", { class: "n" }, c.doubtful === 0 ? "none" : `${c.settled} of ${c.doubtful}`),
      element("td", { class: "n" }, `${c.rings}`),
      element("td", { class: "n" }, c.years),
      element("td", { class: "n" }, c.mean_mm === null ? "" : c.mean_mm.toFixed(3)),
    );
  });
  const heads = ["Core", "State", "Doubts settled", "Rings", "Years", "Mean, mm"].map((h, i) => element("th", { scope: "col", class: i > 1 ? "n" : "" }, h));
  return element("table", {}, element("thead", {}, element("tr", {}, ...heads)), element("tbody", {}, ...rows));
}

function mark(stage: string): string {
  return { untouched: "○", begun: "◐", "signed off": "●", rejected: "✕" }[stage] ?? "";
}

// Labels are the names beside the cores' outlines: above, or below where another
// name stands there.
class Labels {
  private readonly size: number; // of a letter, px of the scan
  private readonly taken: { x: number; y: number; width: number }[] = [];

  constructor(width: number) {
    this.size = width / 42;
  }

  add(to: SVGElement, outline: Point[], words: string): void {
    if (outline.length === 0) return;
    const [xs, ys] = [outline.map((p) => p[0]), outline.map((p) => p[1])];
    const x = Math.min(...xs);
    const width = 0.62 * this.size * words.length;
    const free = (y: number) => this.taken.every((t) => Math.abs(t.y - y) > this.size || t.x + t.width < x || x + width < t.x);
    const above = Math.min(...ys) - 0.35 * this.size;
    const y = free(above) ? above : Math.max(...ys) + 1.15 * this.size;
    this.taken.push({ x, y, width });
    const name = svg("text", { x: `${x}`, y: `${y}`, "font-size": `${this.size}` });
    name.textContent = words;
    to.append(name);
  }
}

// picture is the scan with its cores outlined; their names stand beside them.
function picture(s: Scan, open: (scan: Scan, core: CoreLine) => void): HTMLElement {
  const box = element("div", { class: "picture" });
  const root = svg("svg", { viewBox: `0 0 ${s.width_px} ${s.height_px}`, role: "img", "aria-label": `${s.file} with its cores` });
  if (s.tiles) {
    const top = Math.ceil(Math.log2(Math.max(s.width_px, s.height_px)));
    const level = Math.min(top, 10); // at most 1024 px
    const px = 2 ** (top - level); // of the scan for one of the level
    const size = (n: number) => Math.ceil(n / px);
    const [w, h] = [size(s.width_px), size(s.height_px)];
    for (let x = 0; x * tileSize < w; x++) {
      for (let y = 0; y * tileSize < h; y++) {
        const [x0, y0] = [Math.max(0, x * tileSize - overlap), Math.max(0, y * tileSize - overlap)];
        const [x1, y1] = [Math.min(w, (x + 1) * tileSize + overlap), Math.min(h, (y + 1) * tileSize + overlap)];
        const href = s.tiles.replace(/\.dzi$/, `_files/${level}/${x}_${y}.jpg`);
        root.append(svg("image", { href, x: `${x0 * px}`, y: `${y0 * px}`, width: `${(x1 - x0) * px}`, height: `${(y1 - y0) * px}`, preserveAspectRatio: "none" }));
      }
    }
  }
  const labels = new Labels(s.width_px);
  for (const c of s.cores) {
    for (const piece of c.pieces) {
      const points = piece.map((p) => `${p[0] + half},${p[1] + half}`).join(" ");
      root.append(svg("polygon", { points, class: "halo" }));
      const outline = svg("polygon", { points, class: "outline", "data-stage": c.stage });
      outline.addEventListener("click", () => open(s, c));
      root.append(outline);
    }
    c.pieces.forEach((piece, i) => labels.add(root, piece, i > 0 ? `${c.id} goes on` : `${mark(c.stage)} ${c.id}${c.open > 0 ? ` · ${c.open} doubt${c.open === 1 ? "" : "s"}` : ""}`));
  }
  box.append(root);
  return box;
}

