// The tray view: every scan with its cores, what needs a person first.
import { half } from "./coords";
import { overlap, tileSize } from "./crop";
import { element } from "./element";
import type { CoreLine, Point, Project, Scan } from "./model";

export interface Doings {
  open: (scan: Scan, core: CoreLine) => void;
  back: (scan: Scan, core: { uid: string; revision: number }) => void; // bring a deleted core back
  scale: (scan: Scan) => void;
  draw: (scan: Scan, path: Point[]) => void; // a core that was not found: its radius from bark to pith
}

export function tray(p: Project, doings: Doings): Node[] {
  return p.scans.map((s) => section(s, doings));
}

function section(s: Scan, { open, back, scale, draw }: Doings): HTMLElement {
  const open_ = s.cores.reduce((n, c) => n + c.open, 0);
  const head = element("h2", {}, s.file, s.status === "measured" ? element("small", {}, ` ${s.cores.length} cores, ${open_} doubts to settle`) : "");
  if (s.status !== "measured") {
    const words = s.status === "failed" ? `could not be measured: ${s.error}` : s.status === "waiting" ? "waits to be measured" : `is being measured: ${s.stage}`;
    const bar = element("progress", { max: `${Math.max(1, s.of)}`, "aria-label": `measuring ${s.file}` }) as HTMLProgressElement;
    if (s.of > 0) bar.value = s.done;
    return element("section", { class: "scan" }, head, element("p", {}, words), s.status === "measuring" ? bar : "");
  }
  const cores = [...s.cores].sort((a, b) => rank(b) - rank(a));
  const correct = button("Correct the scale", () => scale(s));
  const shown = picture(s, open);
  const add = button("Add a core", () => pick(shown, add, (path) => draw(s, path)));
  return element(
    "section",
    { class: "scan" },
    head,
    element(
      "p",
      { class: "files" },
      "Save as settled: ",
      ...["widths.rwl", "widths.csv", "measurement.json"].flatMap((f) => [element("a", { href: `/api/runs/${s.run}/export/${f}`, download: "" }, f), " "]),
      correct,
      add,
    ),
    ...s.deleted.map((d) => element("p", { class: "heed" }, `${d.id} was taken off as no core. `, button(`Bring ${d.id} back`, () => back(s, d)))),
    ...s.not_carried.map((w) => element("p", { class: "heed" }, `Not carried over from the earlier reading: ${w}`)),
    ...s.warnings.map((w) => element("p", { class: "heed" }, w)),
    s.error ? element("p", { class: "heed" }, `The wood cannot be shown: ${s.error}`) : s.tiles ? "" : element("p", { class: "heed" }, `The picture is being made ready: ${s.stage || "waits"}`),
    element("div", { class: "tray" }, shown, list(s, cores, open)),
  );
}

// pick has a radius clicked on the picture, from bark to pith; a second press of
// its button takes it.
function pick(box: HTMLElement, add: HTMLElement, take: (path: Point[]) => void): void {
  const root = box.querySelector("svg") as SVGSVGElement;
  const line = document.createElementNS("http://www.w3.org/2000/svg", "polyline");
  const path: Point[] = [];
  if (root.dataset.picking) return;
  root.dataset.picking = "yes";
  root.append(line);
  add.textContent = "Click its radius from bark to pith; then press here";
  const click = (e: MouseEvent) => {
    const to = root.getScreenCTM();
    if (!to) return;
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(to.inverse());
    path.push([p.x - half, p.y - half]);
    line.setAttribute("points", path.map((q) => `${q[0] + half},${q[1] + half}`).join(" "));
    e.stopPropagation();
  };
  root.addEventListener("click", click, true);
  add.addEventListener(
    "click",
    (e) => {
      e.stopImmediatePropagation();
      root.removeEventListener("click", click, true);
      delete root.dataset.picking;
      line.remove();
      add.textContent = "Add a core";
      if (path.length > 1) take(path);
    },
    { once: true, capture: true },
  );
}

function button(words: string, act: () => void): HTMLElement {
  const b = element("button", { type: "button", class: "plain" }, words);
  b.addEventListener("click", act);
  return b;
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

// picture is the scan with its cores outlined; their names stand beside them.
function picture(s: Scan, open: (scan: Scan, core: CoreLine) => void): HTMLElement {
  const box = element("div", { class: "picture" });
  const svg = (name: string, attributes: Record<string, string>): SVGElement => {
    const e = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
    return e;
  };
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
  for (const c of s.cores) {
    const points = c.outline_px.map((p) => `${p[0] + half},${p[1] + half}`).join(" ");
    root.append(svg("polygon", { points, class: "halo" }));
    const outline = svg("polygon", { points, class: "outline", "data-stage": c.stage });
    outline.addEventListener("click", () => open(s, c));
    root.append(outline);
    const at = c.outline_px[0] ? c.outline_px.reduce((a, p) => (p[1] < a[1] ? p : a)) : [0, 0];
    const name = svg("text", { x: `${Math.min(...c.outline_px.map((p) => p[0]))}`, y: `${at[1] - s.width_px / 120}`, "font-size": `${s.width_px / 42}` });
    name.textContent = `${mark(c.stage)} ${c.id}${c.open > 0 ? ` · ${c.open} doubts` : ""}`;
    root.append(name);
  }
  box.append(root);
  return box;
}

