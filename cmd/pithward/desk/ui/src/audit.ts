// The audit: every place of the project by doubt, with what the program said,
// what people made of it and why, side by side on the wood.
import { asking, show } from "./ask";
import { crop } from "./crop";
import { byId, element } from "./element";
import { keyOf, shown, type Action } from "./keys";
import type { Picture, Point } from "./model";

interface Limits {
  n: number;
  mean: number;
  lower: number | null;
  upper: number | null;
  repeatability: number;
}

interface Summary {
  audit: {
    project: string;
    observers: string[];
    scans: { run: number; file: string; width_px: number; height_px: number }[];
    cores: { scan: string; uid: string; id: string; observer: string; stage: string; why: string; signed: string; open: number; doubtful: number; by_hand: boolean }[];
    counts: { boundaries: number; doubtful: number; open: number; decided: number; changed: number; undone: number };
    agreements: { first: string; second: string; blind: boolean; matched: number; missed: number; extra: number; shared: number; own: Limits | null }[];
  };
  tiles: Record<string, string>;
  observer: string;
}

interface Mark {
  line_px: Point[];
  probability: number;
  candidate: boolean;
  person: boolean;
  here: boolean;
}

interface View {
  observer: string;
  boundary: boolean;
  decided: boolean;
  by_hand: boolean;
  moved: boolean;
  shift_mm: number | null;
  acts: { kind: string; utc: string; why: string }[];
}

interface Place {
  scan: string;
  run: number;
  core: string;
  id: string;
  target: string;
  kind: string;
  ring: number | null;
  year: number | null;
  at_mm: number | null;
  point_px: Point;
  taken: boolean;
  probability: number | null;
  doubt: number;
  cost: number;
  views: View[];
  around: { inward_deg: number; program: Mark[] | null; observers: { observer: string; marks: Mark[] }[] | null };
  mm_per_px: Point | null;
}

const form = byId<HTMLFormElement>("filter");
const list = byId("places");
const trouble = byId("trouble");
const kinds = ["accept", "add", "remove", "move", "bark", "pith"];
const acrossMM = 3.8; // of each picture: all at one magnification
const acrossPx = 180; // where there is no scale

let summary: Summary;
let loaded = 0; // places shown
let asked = 0; // numbers the lists asked for, so that a late one is left

async function ask<T>(path: string): Promise<T> {
  const r = await fetch(path);
  const answer = await r.json();
  if (!r.ok) throw new Error(answer.error);
  return answer as T;
}

function say(words: string): void {
  trouble.textContent = words;
  trouble.hidden = words === "";
}

const person = (o: string) => o.replace(/, again$/, ", a second time");

// where says which place of its core it is.
function where(p: Place): string {
  const side = p.kind === "candidate" ? "in" : "inward of";
  const at = p.at_mm === null ? "" : ` at ${p.at_mm.toFixed(2)} mm`;
  if (p.kind === "outer") return `outer end${at}`;
  if (p.kind === "inner") return `pith${at}`;
  if (p.year !== null) return `${side} ${p.year}${at}`;
  return p.ring === null ? `outermost${at}` : `${side} ring ${p.ring}${at}`;
}

function programSays(p: Place): string {
  if (p.probability === null) return "saw nothing";
  const percent = `${Math.round(100 * p.probability)} %`;
  return p.taken ? `a boundary, ${percent}` : `none; perhaps one, ${percent}`;
}

function personSays(p: Place, v: View): string {
  if (!v.boundary) return v.by_hand ? "none, measuring by hand" : "no boundary";
  if (v.by_hand) return "a boundary, set by hand";
  if (v.moved) return v.shift_mm === null ? "moved" : `moved ${Math.abs(v.shift_mm).toFixed(3)} mm ${v.shift_mm < 0 ? "outward" : "inward"}`;
  return p.taken ? "a boundary, as read" : "a boundary, added";
}

// pictures are drawn as they come into sight.
const drawn = new WeakMap<Element, () => void>();
const sight = new IntersectionObserver((seen) => {
  for (const s of seen) {
    if (!s.isIntersecting) continue;
    sight.unobserve(s.target);
    drawn.get(s.target)?.();
  }
}, { rootMargin: "300px" });

function pane(p: Place, who: string, marks: Mark[]): HTMLElement {
  const canvas = element("canvas", { role: "img", "aria-label": `The wood as ${who} has it` }) as HTMLCanvasElement;
  drawn.set(canvas, () => {
    const s = summary.audit.scans.find((x) => x.run === p.run);
    const scan: Picture = { width_px: s?.width_px ?? 0, height_px: s?.height_px ?? 0, tiles: summary.tiles[`${p.run}`] ?? "" };
    const mm = p.mm_per_px ? Math.sqrt(p.mm_per_px[0] * p.mm_per_px[1]) : 0;
    const zoom = mm > 0 ? (canvas.clientWidth * mm) / acrossMM : canvas.clientWidth / acrossPx;
    void crop(canvas, scan, p.point_px, 180 - p.around.inward_deg, zoom, (c) => paint(c, p, marks, zoom));
  });
  sight.observe(canvas);
  return element("figure", {}, canvas, element("figcaption", {}, who));
}

// paint draws marks with the place at 0, 0 and px of the scan as unit: a soft
// halo, and on it the line.
function paint(c: CanvasRenderingContext2D, p: Place, marks: Mark[], zoom: number): void {
  const style = getComputedStyle(document.documentElement);
  const [ink, halo, sure] = [style.getPropertyValue("--ink").trim(), style.getPropertyValue("--halo").trim(), Number(style.getPropertyValue("--sure"))];
  for (const m of marks) {
    const dash = m.candidate ? [0.4, 4.5] : !m.person && m.probability < sure ? [7, 5] : [];
    stroke(c, m.line_px.map((q): Point => [q[0] - p.point_px[0], q[1] - p.point_px[1]]), zoom, ink, halo, dash);
  }
  const ratio = window.devicePixelRatio || 1;
  const [w, h] = [c.canvas.clientWidth, c.canvas.clientHeight];
  c.setTransform(ratio, 0, 0, ratio, 0, 0);
  for (const [y, to] of [[0, 9], [h, h - 9]]) stroke(c, [[w / 2, y], [w / 2, to]], 1, ink, halo, [], 3);
  const turn = ((180 - p.around.inward_deg) * Math.PI) / 180;
  c.fillStyle = ink;
  for (const m of marks.filter((x) => x.person && x.line_px.length > 0)) {
    const [dx, dy] = [m.line_px[m.line_px.length >> 1][0] - p.point_px[0], m.line_px[m.line_px.length >> 1][1] - p.point_px[1]];
    const x = w / 2 + zoom * (dx * Math.cos(turn) - dy * Math.sin(turn));
    c.beginPath();
    c.moveTo(x - 5, h);
    c.lineTo(x, h - 8);
    c.lineTo(x + 5, h);
    c.fill();
  }
}

function stroke(c: CanvasRenderingContext2D, line: Point[], zoom: number, ink: string, halo: string, dash: number[], width = 1.7): void {
  for (const [colour, wide, pattern, strength] of [[halo, width + 3, [], 0.72], [ink, width, dash, 1]] as const) {
    c.globalAlpha = strength;
    c.strokeStyle = colour;
    c.lineWidth = wide / zoom;
    c.lineCap = pattern.length > 0 && pattern[0] < 1 ? "round" : "butt";
    c.setLineDash(pattern.map((d) => d / zoom));
    c.beginPath();
    line.forEach(([x, y], i) => (i === 0 ? c.moveTo(x, y) : c.lineTo(x, y)));
    c.stroke();
  }
  c.globalAlpha = 1;
}

function item(p: Place): HTMLElement {
  const link = element("a", { href: `/#${p.run}/${encodeURIComponent(p.core)}/${encodeURIComponent(p.target)}/${p.point_px.join("/")}` }, `${p.id} ${where(p)}`);
  const views = p.views.filter((v) => v.decided);
  const left = p.views.filter((v) => !v.decided).map((v) => person(v.observer));
  const panes = [pane(p, "the program", p.around.program ?? [])];
  for (const v of views) panes.push(pane(p, person(v.observer), p.around.observers?.find((o) => o.observer === v.observer)?.marks ?? []));
  const words = views.map((v) => {
    const why = v.acts.map((a) => a.why).filter((w) => w !== "").join("; ");
    return element("p", {}, element("b", {}, person(v.observer)), `: ${personSays(p, v)} `, why ? element("q", {}, why) : "");
  });
  const rest = left.length === 0 ? "" : element("p", {}, element("b", {}, left.join(", ")), views.length > 0 ? ": left as read" : ": not decided");
  return element(
    "li",
    {},
    element("div", { class: "what" }, link, element("span", { class: "doubt" }, `doubt ${p.doubt.toFixed(2)}, ${p.cost.toFixed(1)} rings at stake`)),
    element("div", { class: "panes" }, ...panes),
    element("p", {}, element("b", {}, "The program"), `: ${programSays(p)}`),
    ...words,
    rest,
  );
}

function query(): URLSearchParams {
  const q = new URLSearchParams();
  for (const [k, v] of new FormData(form)) if (v !== "") q.append(k, `${v}`);
  return q;
}

// fetchPlaces shows the places that the filter lets through, or more of them.
async function fetchPlaces(more: boolean): Promise<void> {
  const mine = ++asked;
  const q = query();
  history.replaceState(null, "", `/audit?${q}`);
  q.set("from", `${more ? loaded : 0}`);
  try {
    const got = await ask<{ total: number; places: Place[] }>(`/api/audit/places?${q}`);
    if (mine !== asked) return;
    if (!more) {
      list.replaceChildren();
      loaded = 0;
      list.parentElement?.scrollTo(0, 0);
    }
    list.append(...got.places.map(item));
    loaded += got.places.length;
    byId("shown").textContent = got.total === 0 ? "no such places" : `${loaded} of ${got.total} places`;
    byId("more").hidden = loaded >= got.total;
    say("");
  } catch (e) {
    say(`The places cannot be shown: ${(e as Error).message}`);
  }
}

function row(...cells: (string | Node)[]): HTMLElement {
  return element("tr", {}, ...cells.map((c, i) => (i === 0 ? element("th", { scope: "row" }, c) : element("td", typeof c === "string" && /^[−+0-9–]/.test(c) ? { class: "n" } : {}, c))));
}

function table(head: string[], rows: HTMLElement[]): HTMLElement {
  return element("table", {}, element("thead", {}, element("tr", {}, ...head.map((h, i) => element("th", i === 0 ? { scope: "col" } : { scope: "col" }, h)))), element("tbody", {}, ...rows));
}

const signed = (v: number) => (Math.abs(v) < 0.0005 ? "0.000" : `${v < 0 ? "−" : "+"}${Math.abs(v).toFixed(3)}`);

function showSummary(): void {
  const a = summary.audit;
  byId("title").textContent = `Audit of ${a.project}`;
  byId("who").textContent = summary.observer;
  const count = (name: string, n: number) => element("div", {}, element("dt", {}, name), element("dd", {}, `${n}`));
  byId("counts").replaceChildren(count("boundaries read", a.counts.boundaries), count("to look at", a.counts.doubtful), count("of them open", a.counts.open), count("decided", a.counts.decided), count("of them changed", a.counts.changed), count("taken back", a.counts.undone));
  const signedOff = new Set(a.cores.filter((c) => c.signed).map((c) => c.uid)).size;
  byId("progress").textContent = `${signedOff} of ${new Set(a.cores.map((c) => c.uid)).size} cores signed off`;
  byId("cores").replaceChildren(
    table(
      ["core", "observer", "state", "open"],
      a.cores.map((c) => row(c.id, c.observer ? person(c.observer) : "nobody", `${c.stage}${c.signed ? ` ${c.signed.slice(0, 10)}` : ""}${c.by_hand ? ", by hand" : ""}${c.why ? `: ${c.why}` : ""}`, `${c.open}`)),
    ),
  );
  const limits = (l: Limits | null) => (l === null || l.lower === null || l.upper === null ? "–" : `${signed(l.lower)} to ${signed(l.upper)}`);
  byId("agreement").replaceChildren(
    ...(a.agreements.length === 0
      ? [element("p", {}, "Nobody has begun a core, so there is nothing to compare.")]
      : [
          table(
            ["first, second", "matched", "missed", "extra", "limits, mm"],
            a.agreements.map((g) => row(`${person(g.first)}; ${person(g.second)}`, `${g.matched}`, `${g.missed}`, `${g.extra}`, limits(g.own))),
          ),
          element("p", { class: "heed" }, "95 % limits of agreement (Bland & Altman 1986) of the widths that either has set; pithward audit --out writes them with plots."),
        ]),
  );
  const option = (value: string, words: string) => element("option", { value }, words);
  const cores = new Map(a.cores.map((c) => [c.uid, c.id]));
  (form.elements.namedItem("core") as HTMLSelectElement).append(...[...cores].map(([uid, id]) => option(uid, id)));
  (form.elements.namedItem("observer") as HTMLSelectElement).append(...a.observers.map((o) => option(o, person(o))));
  (form.elements.namedItem("kind") as HTMLSelectElement).append(...kinds.map((k) => option(k, k)));
  for (const [k, v] of new URLSearchParams(location.search)) {
    const select = form.elements.namedItem(k);
    if (select instanceof HTMLSelectElement && [...select.options].some((o) => o.value === v)) select.value = v;
  }
}

// step moves from place to place; past the last that is shown it asks for more.
async function step(by: 1 | -1): Promise<void> {
  let links = [...list.querySelectorAll("a")];
  const i = links.indexOf(document.activeElement as HTMLAnchorElement);
  if (i + by >= links.length && !byId("more").hidden) {
    await fetchPlaces(true);
    links = [...list.querySelectorAll("a")];
  }
  const to = links[i < 0 ? 0 : Math.max(0, Math.min(links.length - 1, i + by))];
  to?.focus();
  to?.closest("li")?.scrollIntoView({ block: "nearest" });
}

const actions: Action[] = [
  { id: "", keys: ["n", "ArrowDown"], words: "next place, the most doubtful first; Enter opens it at the desk", do: () => void step(1) },
  { id: "", keys: ["p", "ArrowUp"], words: "previous place", do: () => void step(-1) },
  { id: "", keys: ["f"], words: "filter: which places, whose, which edits", do: () => (form.elements[0] as HTMLElement).focus() },
  { id: "more", keys: ["m"], words: "show more places", do: () => void (byId("more").hidden || fetchPlaces(true)) },
  { id: "to-tray", keys: ["t"], words: "the tray", do: () => location.assign("/#tray") },
  { id: "help", keys: ["?"], words: "this list", do: () => void help() },
];

async function help(): Promise<void> {
  const rows = actions.map((a) => element("tr", {}, element("th", { scope: "row" }, ...a.keys.flatMap((k) => [element("kbd", {}, shown(k).replace("ArrowDown", "↓").replace("ArrowUp", "↑")), " "])), element("td", {}, a.words)));
  const key = "In the pictures the bark lies to the right. Ticks at the edges mark the place; unbroken: sure, dashed: doubtful, dotted: considered and rejected, a notch below: a person's decision.";
  await show("Keys", [element("table", { class: "audit-keys" }, element("tbody", {}, ...rows)), element("p", {}, key)], null);
}

for (const a of actions) if (a.id) byId(a.id).addEventListener("click", () => a.do());
form.addEventListener("change", () => void fetchPlaces(false));
form.addEventListener("submit", (e) => e.preventDefault());
document.addEventListener("keydown", (e) => {
  if (asking() || e.altKey || e.ctrlKey || e.metaKey) return;
  if ((e.target as HTMLElement).tagName === "SELECT" && e.key !== "Escape") return;
  if (e.key === "Escape") return (document.activeElement as HTMLElement).blur();
  const a = actions.find((x) => x.keys.includes(keyOf(e)));
  if (!a) return;
  e.preventDefault();
  a.do();
});

if (localStorage.getItem("pithward-dim")) document.documentElement.dataset.ground = "dim";
try {
  summary = await ask<Summary>("/api/audit");
  showSummary();
  await fetchPlaces(false);
} catch (e) {
  byId("audit").hidden = true;
  say((e as Error).message);
}
